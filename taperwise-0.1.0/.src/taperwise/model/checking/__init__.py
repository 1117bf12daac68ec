"""For whoever checks the model: the same posterior as a PyMC model to read, and draws of all that is observed."""
