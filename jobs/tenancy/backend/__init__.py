"""The PostgreSQL backend with composite keys and row security for tenant tables."""
