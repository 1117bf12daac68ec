"""What many engines say of the next one: summaries, how engines vary, what may be published."""
