"""For all tests: nothing is judged by how long it takes, as machines differ; speed is measured by `bench`."""

from hypothesis import settings

settings.register_profile("no clock", deadline=None)
settings.load_profile("no clock")
