"""A recording to drive hours, place and identity: what was ridden."""
