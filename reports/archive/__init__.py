"""A whole company as one file: its form, how it is written, how it is checked and taken in."""
