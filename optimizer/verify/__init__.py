"""A plan solved again as a network, without the solver that made it: demands, valve settings, limits."""
