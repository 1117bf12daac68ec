"""What is told to people: figures, runs and expectations in words, in the installation's units."""
