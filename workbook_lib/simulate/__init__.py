"""Time-step engines on arrays: storage in a year with the grid, outages that start at every interval, production of arrays."""
