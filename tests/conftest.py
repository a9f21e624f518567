"""For all tests: nothing is judged by how long it takes, as machines differ; speed is measured by `bench`."""

import signal

from hypothesis import settings

settings.register_profile("no clock", deadline=None)
settings.load_profile("no clock")

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # Begun in the background of a shell, whose jobs ignore Ctrl-C, and all that they start, too; here it is tested.
    signal.signal(signal.SIGINT, signal.default_int_handler)
