"""Advice: learned from the log, kept while it holds, given out."""
