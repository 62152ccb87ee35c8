"""The service on one machine without installed servers: stack.py, and `python -m config.local --help`."""
