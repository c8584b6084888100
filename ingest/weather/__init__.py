"""Archive clients behind one protocol, all in one canonical hour: the UTC hour's start."""
