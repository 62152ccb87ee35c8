"""Reports: who answered for a figure, and what left the house."""
