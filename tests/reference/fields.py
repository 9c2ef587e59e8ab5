"""Writes random bit fields and what a general-purpose bit-field library reads in them.

    fields.py [--out FILE]

The library is bitstruct (PyPI; the version is pinned in requirements.txt). It numbers the bits of
a byte string as they are sent, which is order "big" here, so such a field is read as it stands.
Order "little" is read from the reversed bytes: bit b of byte n, which is 8n + b there, is bit
8N - 1 - (8n + b) of the N reversed bytes counted as sent, so the field from `start` on begins
8N - start - length bits into them, most significant bit first. (bitstruct's own "<" suffix swaps
whole bytes of a value and does not describe fields off byte boundaries.)

The output is a table of lines with tabs between columns. A line of one column is a payload in
hexadecimal; the lines after it are fields in it: order (b, l), coding (u unsigned, s signed,
f float), start, length, answer. A float's answer is the shortest decimal that gives the same
binary64 number.

The same bytes come out on every run and machine: the random numbers are made here.
"""

import argparse
import sys

import bitstruct

SEED = 0x51_1B_32_19
PAYLOADS = 1000
FIELDS_A_PAYLOAD = 10
# A classic frame's length, as often as all CAN FD lengths above it together (ISO 11898-1).
PAYLOAD_BYTES = [8] * 7 + [12, 16, 20, 24, 32, 48, 64]


class Random:
    """splitmix64 (Steele, Lea and Flood, OOPSLA 2014; constants from memory)."""

    MASK = (1 << 64) - 1

    def __init__(self, seed):
        self.state = seed

    def word(self):
        self.state = (self.state + 0x9E3779B97F4A7C15) & self.MASK
        word = self.state
        word = ((word ^ (word >> 30)) * 0xBF58476D1CE4E5B9) & self.MASK
        word = ((word ^ (word >> 27)) * 0x94D049BB133111EB) & self.MASK
        return word ^ (word >> 31)

    def below(self, limit):
        return self.word() % limit


def read(payload, order, coding, start, length):
    offset = start
    if order == "l":
        payload = payload[::-1]
        offset = 8 * len(payload) - start - length
    (answer,) = bitstruct.unpack_from(f"{coding}{length}", payload, offset)
    return answer


def main():
    arguments = argparse.ArgumentParser(description="Write the table of reference fields.")
    arguments.add_argument("--out", metavar="FILE", help="standard output if left out")
    out_path = arguments.parse_args().out

    random = Random(SEED)
    lines = [f"# made by tests/reference/fields.py with bitstruct {bitstruct.__version__}"]
    for _ in range(PAYLOADS):
        size = PAYLOAD_BYTES[random.below(len(PAYLOAD_BYTES))]
        payload = bytes(random.below(256) for _ in range(size))
        lines.append(payload.hex())
        for _ in range(FIELDS_A_PAYLOAD):
            order = "bl"[random.below(2)]
            coding = "uuussf"[random.below(6)]
            length = (32, 64)[random.below(2)] if coding == "f" else 1 + random.below(64)
            start = random.below(8 * size - length + 1)
            answer = read(payload, order, coding, start, length)
            lines.append(f"{order}\t{coding}\t{start}\t{length}\t{answer!r}")
    text = "\n".join(lines) + "\n"
    if out_path is None:
        sys.stdout.write(text)
    else:
        with open(out_path, "w", encoding="ascii", newline="\n") as file:
            file.write(text)


main()
