"""Work that follows from what is stored: answers that the log has outgrown, made by one service each."""
