"""The program room; see docs/rooms.md."""
