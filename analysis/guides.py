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
GUIDES = (WEB_SERVER,)
