"""The language of motion programs: what a line says, word by word, and how a word of it is set."""
