"""The commands that print from a log alone and change nothing.

A new one stands here: the tests of ``tests/commands/every`` about hostile texts and logs, untrusted
devices, rights and readers that go away try all of them.
"""

READING = (
    ("report",),
    ("report", "--json", "-"),
    ("watch", "--once"),
    ("load",),
    ("fuel",),
    ("fitting",),
    ("event", "list"),
)
