"""Pictures of what is known, drawn on this machine, each with the same in words and figures."""
