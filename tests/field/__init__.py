"""The field page: what runs on the tablet."""
