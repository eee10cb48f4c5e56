"""Feeds bytes of a disturbed line through pipeline, recorder and writer, faster than time.

``python -m tests.support.rigs.devices.fuzzed_line CONFIG DEVICE MEGABYTES SEED`` prints what was
measured after half of the bytes and at the end, a JSON object each.
"""

import json
import random
import sys
import time
from pathlib import Path

from logger.config import load_config
from logger.recorder import Recorder
from logger.refusals import Refusals
from logger.sources.decoders.checksums import crc
from logger.sources.description import read_description
from logger.store.records import SessionStart
from logger.store.writer import Writer
from tests.support.rigs.endless import resident_kib

#: Bytes that a port gives at most at a time.
PIECE = 4096
#: Seconds of the line between two pieces.
SPACING_S = 0.5


def text_message(number):
    amps = number % 800 / 100.0
    return b"U=13.20 I=%.2f MODE=RUN RT=36150 T=31.5\r\n" % amps


def frame_message(number):
    body = b"\xaa\x55" + b"".join(
        value.to_bytes(size, "little") for value, size in ((13200, 2), (number % 800, 2), (6025, 4))
    )
    return body + crc("CRC-16/MODBUS", body).to_bytes(2, "little")


#: A sound message of each device.
MESSAGES = {"text-lines": text_message, "binary-frame": frame_message}


def spoilt(random_, message):
    data = bytearray(message * 20)
    for _ in range(random_.randrange(1, 40)):
        data[random_.randrange(len(data))] ^= 1 << random_.randrange(8)
    return bytes(data)


#: What a bad line gives: noise, one byte without end, states and names that were never seen
#: before, a message cut short, a burst, beginnings of messages, and flipped bits.
DISTURBED = (
    lambda r, _: r.randbytes(r.randrange(1, PIECE)),
    lambda r, _: bytes([r.randrange(256)]) * r.randrange(1, PIECE),
    lambda r, _: b"U=13.20 I=8.00 MODE=%x T=%d\r\n" % (r.getrandbits(64), r.getrandbits(40)),
    lambda r, _: b"".join(b"%x=%d " % (r.getrandbits(48), k) for k in range(80)) + b"\r\n",
    lambda r, message: message[: r.randrange(len(message))],
    lambda r, message: message * r.randrange(1, 40),
    lambda r, _: b"\xaa\x55" * r.randrange(1, PIECE // 2),
    spoilt,
)


def main():
    config = load_config(Path(sys.argv[1]))
    device = Path(sys.argv[2])
    most, random_ = int(float(sys.argv[3]) * 1e6), random.Random(int(sys.argv[4]))
    message = MESSAGES[device.stem]
    refusals = Refusals()
    pipeline = read_description(device).pipeline(refusals)
    now_s = longest_s = 0.0
    sent = arrived = 0
    marks = [most // 2, most]
    session = SessionStart("rig", 0.0, boot_id="rig", offset_s=1.7e9, offset_quality=1)
    with Writer(config.store.path, config.charger, session) as writer:
        recorder = Recorder(config, writer, refusals, lambda: now_s)
        number = 0
        while sent < most:
            number += 1
            data = random_.choice(DISTURBED)(random_, message(number))
            # A sound message behind a pause, as a line gives it that has recovered.
            for piece, wait_s in ((data, SPACING_S), (message(number), 5.0)):
                now_s += wait_s
                began_s = time.perf_counter()
                readings = pipeline.feed(now_s, piece)
                for reading in readings:
                    recorder.take(reading)
                recorder.tick()
                longest_s = max(longest_s, time.perf_counter() - began_s)
                sent += len(piece)
            arrived += bool(readings)
            if sent >= marks[0]:
                marks.pop(0)
                told = {
                    "sent": sent, "rounds": number, "arrived": arrived,
                    "good": pipeline.counts.good, "refused": refusals.total,
                    "reasons": len(refusals.by_reason), "words": len(pipeline.counts.unknown_words),
                    "kib": resident_kib(), "longest_s": longest_s,
                }  # fmt: skip
                print(json.dumps(told), flush=True)


if __name__ == "__main__":
    main()
