"""The job: a program, a machine and a filament, seen once."""
