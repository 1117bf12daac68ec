"""From a log to a posterior: evidence, likelihood, the graph and its sampler, draws weighed anew."""
