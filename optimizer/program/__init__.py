"""The mixed-integer program: build, solve, extract. Sees ids and whole numbers only."""
