"""The model as a Python library: what `import taperwise` offers. It needs no service and no database."""
