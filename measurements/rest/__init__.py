"""REST doors of the measurements app."""
