"""The mend room; see docs/rooms.md."""
