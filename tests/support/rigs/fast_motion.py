"""An event loop whose time passes at once: each wait moves its clock instead."""

import asyncio
import selectors


class _Leap(selectors.SelectSelector):
    """Passes waiting time at once: each wait moves the loop's clock instead."""

    now_s = 1000.0

    def select(self, timeout=None):
        assert timeout is not None, "the loop would wait for ever"
        self.now_s += max(timeout, 0.0)
        return super().select(0)


class FakeTimeLoop(asyncio.SelectorEventLoop):
    def __init__(self):
        self.leap = _Leap()
        super().__init__(self.leap)

    def time(self):
        return self.leap.now_s


def run(main):
    with asyncio.Runner(loop_factory=FakeTimeLoop) as runner:
        return runner.run(main)
