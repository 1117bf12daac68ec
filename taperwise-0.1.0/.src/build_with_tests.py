"""setuptools' build backend, but the sdist holds what `.src/sdist` lists: tests and documents too."""

from setuptools.build_meta import *  # noqa: F403 - the hooks of the backend
from setuptools.command.egg_info import manifest_maker

manifest_maker.template = ".src/sdist"
