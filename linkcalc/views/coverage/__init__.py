"""Where around a station the other end could stand, in words."""
