"""Real processes killed, frozen, starved and cut off under load; then everything acknowledged is counted.

`python -m tests.faults --help`; the short set runs with the tests (test_short.py).
"""
