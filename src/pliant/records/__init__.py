"""What passes between the rooms: machine, filament, program and findings, as frozen records."""
