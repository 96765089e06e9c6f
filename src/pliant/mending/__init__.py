"""Passes that rewrite a program, and what they stand on; see docs/rooms.md."""
