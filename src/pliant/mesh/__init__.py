"""The part room: meshes read strictly, sections, standing, forecast, slender features; see docs/rooms.md."""
