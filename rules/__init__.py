"""DECIDE. Pure functions from facts and the time to verdicts with their reasons; no clock, no network."""
