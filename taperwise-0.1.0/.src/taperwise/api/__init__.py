"""The service: HTTP, storage, command line. Everything with a clock, an environment or a disk lives here."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("taperwise")
except PackageNotFoundError:  # run from a checkout that is not installed
    __version__ = "0"
