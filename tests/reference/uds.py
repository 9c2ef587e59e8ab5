"""Lists the negative response codes as the udsoncan library names them.

Writes uds.txt beside this file: number in hex, name. Made with udsoncan 1.26.1; again with:

    pip install udsoncan==1.26.1 && python3 tests/reference/uds.py
"""

import argparse
from pathlib import Path

from udsoncan.ResponseCode import ResponseCode



def out_path():
    """`--out FILE`, or the committed table beside this file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path(__file__).with_suffix(".txt"))
    return parser.parse_args().out


def main():
    names = {}
    for name, number in vars(ResponseCode).items():
        # The library also has the names of ISO 15764, laid over this standard's 0x38 and on.
        if isinstance(number, int) and number > 0 and not 0x3B <= number <= 0x4F:
            names.setdefault(number, name)
    lines = [f"{number:02X} {name}" for number, name in sorted(names.items())]
    out_path().write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
