"""Backup and restore: the whole database as one sealed file, into either kind of database and back."""
