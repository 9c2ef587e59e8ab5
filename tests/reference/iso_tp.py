"""Segments messages with the can-isotp library, to check our own sender against it.

Writes iso_tp.txt beside this file. Made with can-isotp 2.0.7; again with:

    pip install can-isotp==2.0.7 && python3 tests/reference/iso_tp.py

One line is one message: frame bytes (TX_DL), padding or "-", address byte or "-", message length,
number of frames, then the frames in hex: all of them up to eight, else the first four and the
last four. Byte i of a message is (7 i + 3) mod 256.
"""

import argparse
from pathlib import Path

import isotp

LENGTHS = [1, 2, 5, 6, 7, 8, 9, 10, 11, 13, 14, 15, 20, 21, 29, 30, 46, 61, 62, 63, 64, 70, 100,
           118, 119, 125, 126, 127, 200, 1000, 4094, 4095, 4096, 5000]
LAYOUTS = [(8, 0xCC, None), (8, None, None), (8, 0x00, 0xA9), (8, None, 0xA9),
           (12, None, None), (16, 0x55, None), (20, None, 0xA9), (24, None, None),
           (32, 0xCC, None), (48, None, 0xF1), (64, None, None), (64, 0xAA, None),
           (64, 0xCC, 0xA9)]


def segment(message, frame_bytes, padding, address):
    """The data bytes of all frames that carry the message, flow control being one CTS."""
    frames, inbox = [], []
    if address is None:
        ours = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x700, rxid=0x708)
        flow_control = bytes([0x30, 0, 0])
    else:
        ours = isotp.Address(isotp.AddressingMode.Extended_11bits, txid=0x700, rxid=0x708,
                             target_address=address, source_address=0xF0)
        flow_control = bytes([0xF0, 0x30, 0, 0])
    params = {"tx_data_length": frame_bytes, "can_fd": frame_bytes > 8, "stmin": 0}
    if padding is not None:
        # The library fills short frames of an FD connection only when asked to.
        params |= {"tx_padding": padding, "tx_data_min_length": 8}
    layer = isotp.TransportLayerLogic(
        rxfn=lambda timeout=0: inbox.pop(0) if inbox else None,
        txfn=lambda frame: frames.append(bytes(frame.data)),
        address=ours, params=params)
    layer.send(message)
    layer.process()
    if layer.transmitting():
        inbox.append(isotp.CanMessage(arbitration_id=0x708, data=flow_control))
        while layer.transmitting():
            layer.process()
    return frames


def text(value):
    return "-" if value is None else f"{value:02X}"



def out_path():
    """`--out FILE`, or the committed table beside this file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).with_suffix(".txt"))
    return parser.parse_args().out


def main():
    lines = []
    for frame_bytes, padding, address in LAYOUTS:
        for length in LENGTHS:
            message = bytes((7 * i + 3) % 256 for i in range(length))
            frames = segment(message, frame_bytes, padding, address)
            shown = frames if len(frames) <= 8 else frames[:4] + frames[-4:]
            hexes = " ".join(frame.hex().upper() for frame in shown)
            lines.append(f"{frame_bytes} {text(padding)} {text(address)} {length} {len(frames)} {hexes}")
    out_path().write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
