"""Sentences of NMEA 0183: transducers, checksums, talkers."""

from functools import reduce
from operator import xor

import pytest

from tests.support.decoders import decode, decoder


def test_a_transducer_sentence_of_nmea_0183():
    # Types and units: NMEA, "Update to XDR Sentence" (2019); checksum: XOR between $ and *,
    # proved on a published GGA sentence ending *47 in every description of the standard.
    gga = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
    xdr = b"$IIXDR,U,13.52,V,Battery#1,I,4.20,A,Battery#1*76\r\n"
    assert decode(decoder("xdr"), gga + xdr) == [
        {},
        {"U:Battery#1": "13.52", "I:Battery#1": "4.20"},
    ]


def sentence(body):
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"$IIXDR,U,13.52,V,B*00\r\n", "wrong checksum"),
        (b"$IIXDR,U,13.52,V,B\r\n", "no checksum"),
        (sentence("IIXDR,U,13.52,V"), "wrong number of fields"),
        (sentence("IIXDR,U,13.52,A,B"), "wrong unit"),
        (sentence("IIXDR,U,1,V,B,U,2,V,B"), "a key stands twice"),
        (b"IIXDR,U,1,V,B\r\n", "not a sentence"),
        (sentence("IIXDR,U,,V,B"), {"U:B": ""}),
    ],
)
def test_sentences_that_are_wrong_or_empty(data, expected):
    assert decode(decoder("xdr"), data) == [expected]


def test_the_policy_and_the_talker_of_sentences():
    bare = b"$IIXDR,U,13.52,V,B\r\n"
    assert decode(decoder("xdr", checksum="optional"), bare) == [{"U:B": "13.52"}]
    assert decode(decoder("xdr", checksum="none"), b"$IIXDR,U,1,V,B*00\r\n") == [{"U:B": "1"}]
    assert decode(decoder("xdr", checksum="none", talker="WI"), bare) == [{}]
