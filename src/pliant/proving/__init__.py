"""Proof that a mended program makes the same part: every obligation is reckoned anew from the two files alone."""
