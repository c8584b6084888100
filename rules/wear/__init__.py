"""How a chain wears: what a household measured, one model for all its chains, and what follows from it."""
