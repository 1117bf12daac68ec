"""Access: who asks, what they may do, and who changed what."""
