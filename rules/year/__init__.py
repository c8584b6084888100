"""A year of riding walked again under another way of caring: what it takes of hands and of chains."""
