"""Balancing a system from what was read: its tree, its rounds, the plan of adjustments, the fan."""
