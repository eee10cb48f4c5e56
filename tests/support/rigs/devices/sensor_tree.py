"""Files such as Linux shows in /sys/class/hwmon, whose sensors can be moved and broken."""

import shutil


class SensorTree:
    """The folder of the class, and one sensor in it.

    Attributes
    ----------
    root
        The folder of the class.
    folder
        The sensor's own folder; another one after :meth:`renumber`.
    """

    def __init__(self, root, name="shuntmon", number=0, device="1-0040"):
        self.root = root
        self.name = name
        self.device = device
        self.add(number)

    def add(self, number):
        """Make the sensor appear under that number."""
        bus = self.root.parent / "devices" / self.device
        bus.mkdir(parents=True, exist_ok=True)
        self.folder = self.root / f"hwmon{number}"
        self.folder.mkdir(parents=True)
        (self.folder / "name").write_text(f"{self.name}\n")
        (self.folder / "device").symlink_to(bus)

    def put(self, **values):
        """Write attributes: ``in1=13520`` goes to in1_input."""
        for name, value in values.items():
            new = self.folder / f".{name}"
            new.write_text(f"{value}\n")
            new.rename(self.folder / f"{name}_input")

    def make_fail(self, name):
        """Let reading an attribute fail with EIO, the kernel's own: address 0 holds no memory."""
        path = self.folder / f"{name}_input"
        path.unlink(missing_ok=True)
        path.symlink_to("/proc/self/mem")

    def remove(self, *names):
        """Take attributes away, or the whole sensor."""
        for name in names:
            (self.folder / f"{name}_input").unlink()
        if not names:
            shutil.rmtree(self.folder)

    def renumber(self, number, **values):
        """Take the sensor away and let it come again under another number."""
        self.remove()
        self.add(number)
        self.put(**values)
