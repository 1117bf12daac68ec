"""Migrations of the database schema, in order."""
