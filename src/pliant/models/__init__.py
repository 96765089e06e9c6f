"""The models room; see docs/rooms.md."""
