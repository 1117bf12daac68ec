"""Files in our own JSON that commands start from: an installation, a tuning day; the invented ones too."""
