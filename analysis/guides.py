"""Guides of the manual: what takes more than the help of one command to say."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Guide:
    """A section of the manual: paragraphs, and examples as they are typed."""

    title: str
    parts: tuple[str, ...]
    """A part that begins with a blank is an example; the blanks before its lines are cut."""


WEB_SERVER = Guide(
    "The owner's page on the boat's own network",
    (
        """'ebbwatt publish' writes index.html and serves nothing. Any web server that is there
        already serves the folder. Bind it to one address, that of the board on the boat's own
        network, never to all of them: the page tells when nobody is aboard. Let it give out the
        page and nothing else, and let browsers keep no copy, so that an old page is not taken for
        a new one. With nginx, in a file of its own in /etc/nginx/conf.d (192.0.2.10 stands for the
        board's address; a report that the page links to needs a line like that of index.html):""",
        """ server {
     listen 192.0.2.10:8080;
     root /var/lib/ebbwatt-publish;
     autoindex off;
     location = / { index index.html; }
     location = /index.html { add_header Cache-Control no-store; }
     location / { return 404; }
 }""",
        "To try it, without a service:",
        " python3 -m http.server --bind 192.0.2.10 --directory /var/lib/ebbwatt-publish 8080",
        """The page loads itself anew each minute and needs no script. It has no password: who is on
        the network reads it. From outside the boat reach it through a tunnel of your own, not by a
        forwarded port. A page that stands still shows so by its two clock times.""",
    ),
)
GROWING = Guide(
    "From ten boats to a million",
    (
        """Three parts cost something: boats that changed are assessed, each by itself; the sketches
        that this leaves (six kilobytes a boat) are compared within their type; the list is put
        together. The first part is most of it and runs on as many processors as there are; the
        second and third run on one. The figures below are those of tests/bench/RESULTS.md: 0.8 s of
        processor time a boat that changed, 0.02 s a sketch and 0.16 s more for each of at most 200
        of a type, 0.4 ms a document.""",
        """Ten to a thousand boats: one machine, 'ebbwatt fleet report DIR'. The first morning takes
        1000 x 0.8 s = 13 minutes of one processor, 7 of two; a later one, 5 % of the boats changed,
        50 x 0.8 + 1000 x 0.02 + 200 x 0.16 s, 1.5 minutes.""",
        """Ten thousand: the first morning 10,000 x 0.8 s = 2.2 hours of one processor, 17 minutes
        of eight; a later one 500 x 0.8 s = 7 minutes, and 4 minutes for the sketches of three
        types. Logs of two years are 10 MB a boat: 100 GB. Use a scheduler
        (--scheduler) when one machine no longer does it in time; its workers must see the folder
        under the same path, and whoever reaches a scheduler runs code on it, so it is tls:// with
        certificates of both sides. Start it and its workers with
        DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED=False and
        DASK_DISTRIBUTED__ADMIN__TICK__INTERVAL=1s. Without these two they profile themselves fifty
        to a hundred times a second: two workers then take 0.08 s of processor time a second, with
        them 0.03 s.""",
        """Boats in object storage: 'ebbwatt fleet report s3://boats --copies DIR' fetches what
        changed into DIR, a fleet's folder, where each file is judged as by 'fleet take'. A boat
        that is taken away from the storage stays in the list and is named; --set-aside moves
        it to DIR/gone. Nothing is written to the storage. It needs ebbwatt[fleet] and the package
        that fsspec names for it, such as s3fs; credentials are that package's matter.""",
        """A million, on paper: the first pass is 1,000,000 x 0.8 s = 222 hours of one processor,
        2.2 of a hundred; each day 5 % changed are 50,000 x 0.8 s = 11 hours of one. Logs are 10 TB,
        sketches 1,000,000 x 6 kB = 6 GB. The sketches then are 1,000,000 x 0.02 s = 6 hours of one
        processor, so types are shared out among machines, a fleet's folder for each: types do not
        speak to each other, and of more than 200 sisters of a type some speak for all, evenly
        spread, so that the prior costs no more. 250,000 tasks of four boats cost the scheduler some
        ten milliseconds each, 0.7 hours, 0.3 % of the work. This was never run.""",
    ),
)
CARD = Guide(
    "A memory card that lasts",
    (
        """A charger that runs round the clock has a commit a minute, each safe against a power cut.
        What that writes depends on the file system under the log, as the device counts it: 49 MB a
        day on ext4 with blocks of 4096 bytes, which is what a board's image has; 27 MB with blocks
        of 1024 bytes; at rest a twentieth of either. So give the log a small partition of its own,
        made once with the first line below and mounted by the second, a line of /etc/fstab.
        'ebbwatt check' tells of blocks of 4096 bytes under the log of a live source.""",
        """ sudo mkfs.ext4 -b 1024 -L ebbwatt /dev/disk/by-id/...-part3
 LABEL=ebbwatt /var/lib/ebbwatt ext4 noatime,nofail 0 2""",
        """The first line erases that partition: look twice at its name. The mount option lazytime
        and the feature fast_commit were measured and changed nothing.""",
    ),
)
GUIDES = (WEB_SERVER, CARD, GROWING)
