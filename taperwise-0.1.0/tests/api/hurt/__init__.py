"""Tests that hurt: processes killed, disks full, databases that fail, bodies nobody should send."""
