"""Views of the findings; see docs/rooms.md."""
