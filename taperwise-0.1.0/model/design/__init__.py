"""The next step: what each candidate would teach and cost, which one is chosen, and its words."""
