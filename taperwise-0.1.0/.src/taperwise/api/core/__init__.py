"""What stands between the wire and the features: problems, bodies, the OpenAPI page."""
