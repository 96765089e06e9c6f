"""The workflows room; see docs/rooms.md."""
