"""Draws anew all posteriors that tests ask for: ``python -m tests.recorded``."""

import os
import sys

import pytest

if __name__ == "__main__":
    os.environ["TAPERWISE_RECORD"] = "1"
    sys.exit(pytest.main(["-n", "0", "-p", "no:cacheprovider", "-q", "tests"]))
