"""ACT. The only package with side effects: store, network, clock, screen."""
