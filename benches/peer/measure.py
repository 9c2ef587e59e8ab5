"""Measures a drive the usual way: python-pcapng reads, numpy decodes, pandas aligns.

    python measure.py CAPTURE DECODER.toml

Prints how many engagements it found, and medians of delay and peak slip, so that nobody can say
it did no work. It does less than `slipwright measure`: no uncertainty, no radius correction, no
invalid codes, no checks.
"""

import struct
import sys
import tomllib

import numpy as np
import pandas as pd
from pcapng import FileScanner
from pcapng.blocks import EnhancedPacket

EXTENDED = 0x80000000
UNITS = {"km/h": 1 / 3.6, "m/s": 1.0, "bar": 1.0, "%": 1.0, "deg/s": np.pi / 180}


def read(path):
    """Frames by identifier: times in seconds, eight data bytes each."""
    times, rows = {}, {}
    with open(path, "rb") as file:
        for block in FileScanner(file):
            if not isinstance(block, EnhancedPacket):
                continue
            data = block.packet_data
            number, length = struct.unpack_from(">IB", data)
            times.setdefault(number, []).append(block.timestamp)
            rows.setdefault(number, []).append(data[8 : 8 + length].ljust(8, b"\0")[:8])
    return {
        number: (np.array(stamps), np.frombuffer(b"".join(rows[number]), np.uint8).reshape(-1, 8))
        for number, stamps in times.items()
    }


def field(rows, signal):
    """One field of every frame, physical."""
    bits = np.unpackbits(rows, axis=1, bitorder=signal["order"])
    bits = bits[:, signal["start"] : signal["start"] + signal["length"]].astype(np.int64)
    places = np.arange(signal["length"])
    if signal["order"] == "big":
        places = places[::-1]
    raw = bits @ (1 << places)
    if signal.get("signed"):
        raw = np.where(raw >> (signal["length"] - 1), raw - (1 << signal["length"]), raw)
    return raw * signal.get("scale", 1.0) + signal.get("offset", 0.0)


def main():
    capture, decoder = sys.argv[1:]
    with open(decoder, "rb") as file:
        description = tomllib.load(file)
    frames = read(capture)
    series = {}
    for frame in description["frame"]:
        number = frame["id"] | (EXTENDED if frame.get("extended") else 0)
        if number not in frames:
            continue
        times, rows = frames[number]
        for signal in frame["signal"]:
            if "role" in signal and "when" not in signal:
                scale = UNITS.get(signal["unit"], 1.0)
                series[signal["role"]] = pd.Series(field(rows, signal) * scale, times)
    wheels = [f"wheel_speed.{w}" for w in ("front_left", "front_right", "rear_left", "rear_right")]
    base = series[wheels[0]].index
    table = pd.DataFrame(
        {
            role: np.interp(base, values.index, values.to_numpy())
            for role, values in series.items()
        },
        index=base,
    )
    slip = table[wheels[:2]].mean(axis=1) - table[wheels[2:]].mean(axis=1)
    demand, pressure = series["coupling.demand"], series["coupling.pressure"]
    high = (demand > demand.max() / 4).astype(int).diff()
    found = []
    for begin in demand.index[high == 1]:
        after = pressure[(pressure.index >= begin - 0.1) & (pressure.index <= begin + 1.5)]
        if len(after) < 20:
            continue
        low, top = after.iloc[:5].median(), after.quantile(0.95)
        crossed = after.index[after > (low + top) / 2]
        if top - low < 1 or not len(crossed):
            continue
        peak = slip[(slip.index >= begin) & (slip.index <= begin + 3)].max()
        found.append((1000 * (crossed[0] - begin), peak))
    found = pd.DataFrame(found, columns=["delay_ms", "peak_slip_mps"])
    print(f"  the Python way found {len(found)} engagements,", end=" ")
    print(f"median delay {found.delay_ms.median():.0f} ms,", end=" ")
    print(f"median peak slip {found.peak_slip_mps.median():.2f} m/s")


main()
