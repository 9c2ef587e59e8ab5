"""Puts an outside recording's satellite speeds into its capture, as a receiver on a bus would.

    with_gnss.py SEGMENT.pcapng GNSS.parquet OUT.pcapng

Copies every block of SEGMENT (little-endian pcapng, nanosecond stamps) and adds an interface
"gnss" with one frame 0x2A1 a sample: speed in 0.01 m/s, 16 bits, most significant byte first. Frames
are in the order of their stamps. Prints how many were added.
"""

import struct
import sys

import pyarrow.parquet


def blocks(data):
    at = 0
    while at < len(data):
        kind, length = struct.unpack_from("<II", data, at)
        yield kind, data[at : at + length]
        at += length


def block(kind, body):
    body += b"\0" * (-len(body) % 4)
    length = 12 + len(body)
    return struct.pack("<II", kind, length) + body + struct.pack("<I", length)


def interface():
    options = struct.pack("<HH", 2, 4) + b"gnss" + struct.pack("<HHBxxx", 9, 1, 9) + b"\0" * 4
    return block(1, struct.pack("<HHI", 227, 0, 0) + options)


def packet(index, t_ns, speed_mps):
    frame = struct.pack(">IBBxx", 0x2A1, 2, 0) + struct.pack(">H", round(speed_mps * 100))
    head = struct.pack("<IIIII", index, t_ns >> 32, t_ns & 0xFFFFFFFF, len(frame), len(frame))
    return block(6, head + frame)


def main(segment, gnss, out):
    with open(segment, "rb") as file:
        data = file.read()
    heads, packets = [], []
    for kind, raw in blocks(data):
        if kind == 6:
            high, low = struct.unpack_from("<II", raw, 12)
            packets.append((high << 32 | low, raw))
        elif kind in (0x0A0D0D0A, 1):
            heads.append(raw)
    index = sum(1 for raw in heads if raw[:4] == b"\1\0\0\0")
    table = pyarrow.parquet.read_table(gnss)
    stamps, speeds = table["t_ns"].to_pylist(), table["speed_mps"].to_pylist()
    packets += [(t, packet(index, t, v)) for t, v in zip(stamps, speeds)]
    packets.sort(key=lambda pair: pair[0])
    with open(out, "wb") as file:
        for raw in heads + [interface()] + [raw for _, raw in packets]:
            file.write(raw)
    print(len(stamps))


main(*sys.argv[1:])
