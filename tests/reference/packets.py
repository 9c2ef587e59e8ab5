"""Captures as a general packet tool sees them.

The tool is scapy (version 2.8.0, from PyPI), which shares no code with this project. It proves
that captures written here are good for others, and gives one that others wrote.

    pip install scapy==2.8.0
    python packets.py read FILE     one line of JSON for each packet in FILE
    python packets.py write FILE    a capture of every kind of frame, always the same

A line that `read` prints has `t_ns` (whole nanoseconds since the epoch), `interface` (name, or
null), `id`, `flags` (a list of names), `data` (hexadecimal) and `comments`. A packet without
content, which carries a mark, has null for `id`. `write` prints the same lines for what it wrote.

Not covered: zstd, which the tool does not read (unpack first), and time stamps finer than a
microsecond in what it writes, since it gives no resolution and so means the format's default.
"""

import json
import sys

from scapy.config import conf
from scapy.layers.can import CAN, CANFD
from scapy.utils import EDecimal, PcapNgReader, PcapNgWriter, RawPcapNgReader

CAN_LINK_TYPE = 227
# The tool knows the link type of its classic frames only.
conf.l2types.register_layer2num(CAN_LINK_TYPE, CANFD)
NS_PER_S = 1_000_000_000


def line(t_ns, interface, packet, comments):
    """One packet as JSON; `packet` is the tool's own dissection, None if there is no content."""
    told = {"t_ns": t_ns, "interface": interface, "id": None, "flags": [], "data": ""}
    if packet is not None:
        flags = [name for name in ("extended", "remote", "error") if is_set(packet, name)]
        if isinstance(packet, CANFD):
            flags.append("fd")
            flags += [name for name in ("bit_rate_switch", "error_state") if is_set(packet, name)]
        told.update(id=packet.identifier, flags=flags, data=bytes(packet.data).hex())
    told["comments"] = [bytes(comment).decode() for comment in comments or []]
    return json.dumps(told)


def is_set(packet, name):
    tool_name = {
        "remote": "remote_transmission_request",
        "error_state": "error_state_indicator",
    }.get(name, name)
    field = packet.fd_flags if name in ("bit_rate_switch", "error_state") else packet.flags
    return bool(getattr(field, tool_name))


def read(path):
    """Prints every packet of a capture, with its stamp from the raw counts, so that no fraction
    is lost on the way."""
    with RawPcapNgReader(path) as reader:
        for content, seen in reader:
            if seen.linktype != CAN_LINK_TYPE:
                raise SystemExit(f"{path}: link type {seen.linktype}, not {CAN_LINK_TYPE}")
            count = (seen.tshigh << 32) + seen.tslow
            t_ns, rest = divmod(count * NS_PER_S, seen.tsresol)
            if rest:
                raise SystemExit(f"{path}: a stamp is no whole number of nanoseconds")
            interface = seen.ifname.decode() if seen.ifname is not None else None
            packet = CAN(content) if content else None
            print(line(t_ns, interface, packet, seen.comments))


def write(path):
    """Writes a capture of two buses and prints what is in it."""
    start_s = EDecimal(1_700_000_000)
    packets = [
        ("can0", CAN(identifier=0x123, data=bytes(range(1, 9)))),
        ("can1", CAN(identifier=0x7FF, data=b"")),
        ("can0", CAN(flags="extended", identifier=0x18FEBF0B, data=b"\x10\x20\x30")),
        ("can0", CAN(flags="remote_transmission_request", identifier=0x55)),
        ("can1", CAN(flags="error", identifier=0x4, data=b"\x00\x01" + bytes(6))),
        ("can0", CANFD(identifier=0x321, fd_flags="fd_frame+bit_rate_switch", data=bytes(range(12)))),
        (
            "can1",
            CANFD(
                flags="extended",
                identifier=0x1FFFFFFF,
                fd_flags="fd_frame+error_state_indicator",
                data=bytes(range(64)),
            ),
        ),
        ("can0", CANFD(identifier=0x10, data=b"\xaa\xbb")),
    ]
    packets += [
        (f"can{n % 2}", CAN(identifier=0x100 + n, data=n.to_bytes(4, "big"))) for n in range(200)
    ]
    with PcapNgWriter(path) as writer:
        for n, (interface, packet) in enumerate(packets):
            microseconds = n * 250_000 + n % 7
            packet.time = start_s + EDecimal(microseconds) / 1_000_000
            packet.sniffed_on = interface
            packet.comments = [b"look here"] if n == 2 else None
            writer.write(packet)
            t_ns = int(start_s) * NS_PER_S + microseconds * 1000
            print(line(t_ns, interface, packet, packet.comments))


if __name__ == "__main__":
    commands = {"read": read, "write": write}
    if len(sys.argv) != 3 or sys.argv[1] not in commands:
        raise SystemExit("use: packets.py read|write FILE")
    commands[sys.argv[1]](sys.argv[2])
