"""The service on one machine, without installing any server: see stack.py, and `python -m config.local --help`."""
