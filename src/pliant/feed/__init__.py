"""The feed room; see docs/rooms.md."""
