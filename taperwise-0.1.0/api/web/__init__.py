"""The pages: what the service shows to people, drawn on the server, usable without any script."""
