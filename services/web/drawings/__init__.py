"""What the page draws: pure functions from figures to SVG, styled by classes alone, each with its words."""
