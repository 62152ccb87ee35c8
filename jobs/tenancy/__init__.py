"""Isolation of companies: context, models, database backend and catalogue audit."""
