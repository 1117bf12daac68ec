"""Files in our own JSON that commands and benches start from: an installation, a tuning day; the invented ones too."""
