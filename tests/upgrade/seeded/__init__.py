"""An app with one migration, as careless as the test asks for."""
