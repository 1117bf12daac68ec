"""Is something wrong? Every story of what may have happened, held against what was foretold."""
