"""GPX bytes to a recording."""
