"""Weather to water, mud and dust on the ground, and what the map says it is made of."""
