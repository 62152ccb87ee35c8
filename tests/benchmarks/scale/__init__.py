"""Many companies on one instance beside one company alone: `make scale`."""
