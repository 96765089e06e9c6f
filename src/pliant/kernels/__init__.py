"""The kernels room; see docs/rooms.md."""
