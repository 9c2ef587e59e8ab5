#!/usr/bin/env python3
"""Makes the first inputs of each fuzz target from what is in the repository: run once, or after a
target was added. Inputs that the fuzzer found are kept beside them."""

import math
import struct
import subprocess
from pathlib import Path

here = Path(__file__).resolve().parent
root = here.parents[1]
inputs = here / "inputs"


def put(target, name, data):
    folder = inputs / target
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_bytes(data if isinstance(data, bytes) else data.encode())


def block(order, kind, body):
    body += bytes(-len(body) % 4)
    length = len(body) + 12
    return struct.pack(order + "II", kind, length) + body + struct.pack(order + "I", length)


def option(order, code, value):
    return struct.pack(order + "HH", code, len(value)) + value + bytes(-len(value) % 4)


def capture(order, resolution=9):
    """Section, interface, packets, statistics and an unknown block (draft-ietf-opsawg-pcapng)."""
    end = bytes(4)
    section = struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1) + option(order, 4, b"made") + end
    name = option(order, 2, b"can0") + option(order, 9, bytes([resolution])) + end
    interface = struct.pack(order + "HHI", 227, 0, 0) + name
    made = block(order, 0x0A0D0D0A, section) + block(order, 1, interface)
    for n, (number, data) in enumerate([(0x1A0, bytes(range(8))), (0x98FEBF0B, b""), (0x40000100, b"")]):
        frame = struct.pack(">IBBBB", number, len(data), 0, 0, 0) + data
        t = 1_800_000_000_000_000_000 + n * 10_000_000
        head = struct.pack(order + "IIIII", 0, t >> 32, t & 0xFFFFFFFF, len(frame), len(frame))
        mark = option(order, 1, b"launch 1") + end if n == 1 else b""
        made += block(order, 6, head + frame + bytes(-len(frame) % 4) + mark)
    statistics = struct.pack(order + "III", 0, 0, 1) + option(order, 5, struct.pack(order + "Q", 3)) + end
    return made + block(order, 5, statistics) + block(order, 0xBAD, b"unknown")


def frame(t_ns, number, data, flags=0):
    return struct.pack(">qIBB", t_ns, number, flags, len(data)) + data


for order, name in (("<", "little"), (">", "big")):
    put("capture", name, capture(order))
put("capture", "in-binary-parts", capture("<", 0x9E))
put("capture", "cut", capture("<")[:-9])
put("packed", "one", subprocess.run(["zstd", "-q", "-c", "-3"], input=capture("<"), stdout=subprocess.PIPE, check=True).stdout)
# A block of one repeated byte (RFC 8878, 3.1.1.2.2): 128 kB out of 14 bytes, many times over.
bomb = bytes.fromhex("28b52ffd0458") + b"".join([struct.pack("<I", (131072 << 3) | 2)[:3] + b"\0"] * 64)
put("packed", "bomb", bomb)

wheels = frame(0, 0x1A0, bytes.fromhex("1f40ffff80000001"))
put("frames", "wheels", wheels + frame(10_000_000, 0x1A0, bytes(8)) + frame(-1, 0x100, b"\x01\x02"))
put("frames", "floats", frame(2**63 - 1, 0x18FEBF0B, struct.pack("<fIdQ", float("nan"), 0, float("inf"), 5), 1))
put("frames", "answers", frame(0, 0x7E8, bytes.fromhex("04410c1af8")) + frame(5, 0x77C, bytes.fromhex("1064622001aabbcc")))


def unknown_car(seconds, scale=1.0, from_ns=0):
    """Four wheel speeds in turns of their own, told again by OBD-II and by steering, every 100 ms."""
    made = b""
    for n in range(10 * seconds):
        t, at = from_ns + int(n * 100_000_000 * scale), n / 10
        speed, turn = 40 - 35 * math.cos(at / 9), 6 * math.sin(at / 5)
        wheels = [round(100 * (speed + side * turn / 2 + (n * (7 + k) % 11) / 10)) for k, side in enumerate((-1, 1, -1, 1))]
        made += frame(t, 0x1A0, struct.pack(">4H", *(max(w, 0) for w in wheels)))
        made += frame(t + 1_000_000, 0x0C2, struct.pack(">hBB", round(20 * turn), n % 16, round(200 * max(0, math.sin(at)))))
        if n % 5 == 0:
            made += frame(t + 2_000_000, 0x7E8, bytes([3, 0x41, 0x0D, round(speed), 0, 0, 0, 0]))
        if n % 100 == 0:
            made += frame(t + 3_000_000, 0x001, b"")
    return made


put("find", "alone", b"\0" + unknown_car(60))
put("find", "marked", b"\3" + unknown_car(60))
put("find", "with-a-course", b"\x0d" + unknown_car(60))
put("find", "at-the-ends", b"\x0f" + unknown_car(20) + frame(-2**63, 0x1A0, bytes(8)) + frame(0, 1, b"")
    + frame(2**63 - 1, 0x1A0, b"\xff" * 8))
put("find", "longest-fields", b"\x08" + b"".join(
    frame(n * 100_000_000, 0x1A0, struct.pack(">4Q", *(((n * n * (977 + k)) << 40 | n << 9) % 2**64 for k in range(4))))
    for n in range(400)))
put("iso_tp", "single", frame(0, 0x7E8, bytes.fromhex("04410c1af8000000")))
parts = [bytes.fromhex("100f5902ff456711"), bytes.fromhex("2109c12300085001"), bytes.fromhex("22290100000000")]
put("iso_tp", "in-parts", b"".join(frame(n * 1_000_000, 0x77C, p) for n, p in enumerate(parts)))
put("iso_tp", "endless", frame(0, 0x780, bytes.fromhex("1000000186a06220")))
for name, text in {
    "rpm": "410c1af8", "codes": "43020420c123", "refused": "7f2231", "pending": "7f2278",
    "by-status": "5902ff45671109c123000850012901", "count": "5901ff010003", "data": "622001000a",
    "several": "622001000af19041424344454647484950515253545556575859", "wheels": "0102030405060708",
}.items():
    put("answers", name, bytes.fromhex(text))

put("decoder_file", "sample", (root / "sample-logs/decoder.toml").read_bytes())
put("decoder_file", "every-form", (here / "every-form.toml").read_bytes())
put("vehicle", "sample", (root / "sample-logs/vehicle.toml").read_bytes())
put("parts", "sample", (root / "sample-logs/parts.toml").read_bytes())
put("work", "day", "2026-05-03\ntitle = \"new discs\"\ndate = 2026-05-03\nodometer_km = 181250\n")
for scenario in sorted((root / "sample-logs/scenarios").glob("*.toml")):
    put("scenario", scenario.stem, scenario.read_bytes())
for layout in sorted((root / "logger/text-layouts").glob("*.toml")):
    put("layout", layout.stem, layout.read_bytes())
put("text_log", "each", "1.500000 can0 1A0 [2] 00 FF\n0.25;1A0;2;1,255\n(1.5) can0 1A0#00FF\n")
put("nmea", "fix", "$GPGGA,095328.797,2712.6413,S,15303.1235,E,1,05,07.5,13.4,M,42.2,M,,*4F\n"
    "$GPRMC,095328.797,A,2712.6413,S,15303.1235,E,1.55,276.34,080407,,,A*76\n")
put("gpsd", "fix", '{"class":"SKY","uSat":9}\n{"class":"TPV","mode":3,"time":"2026-05-01T08:00:00.000Z",'
    '"lat":50.1,"lon":-8.2,"altMSL":120.5,"speed":13.9,"eps":0.2,"track":271.0}\n')
