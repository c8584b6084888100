"""FIT bytes to a recording."""
