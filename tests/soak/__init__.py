"""Long searches for what no test names: generated cases against every door.

A short run of each is part of `make test`; `make soak SEED=n` runs the long ones and prints its figures.
"""
