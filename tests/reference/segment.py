"""Compares decoded wheel speeds with an outside data set's own.

    segment.py DECODED.parquet WHEEL_SPEED.parquet

DECODED is what `slipwright decode` wrote (t_ns, signal, value, unit); WHEEL_SPEED is the data set's
own table (t_ns and four columns in m/s). Prints one JSON object: how many stamps each has, whether
the stamps are the same, and the largest difference in m/s. The Parquet is read by pyarrow, which
shares no code with the writer.
"""

import json
import sys

import numpy
import pyarrow.parquet

ROLES = {
    "wheel_speed.front_left": "front_left_mps",
    "wheel_speed.front_right": "front_right_mps",
    "wheel_speed.rear_left": "rear_left_mps",
    "wheel_speed.rear_right": "rear_right_mps",
}


def main(decoded_path, truth_path):
    decoded = pyarrow.parquet.read_table(decoded_path)
    truth = pyarrow.parquet.read_table(truth_path)
    signal = numpy.array(decoded["signal"].to_pylist())
    unit = numpy.array(decoded["unit"].to_pylist())
    t_ns = decoded["t_ns"].to_numpy()
    value = decoded["value"].to_numpy()
    result = {"schema": {f.name: str(f.type) for f in decoded.schema}, "roles": {}}
    for role, column in ROLES.items():
        rows = signal == role
        ours_mps = value[rows] / 3.6
        assert set(unit[rows]) == {"km/h"}, set(unit[rows])
        theirs_mps = truth[column].to_numpy()
        same = numpy.array_equal(t_ns[rows], truth["t_ns"].to_numpy())
        result["roles"][role] = {
            "ours": int(rows.sum()),
            "theirs": len(theirs_mps),
            "same_stamps": bool(same),
            "largest_difference_mps": float(abs(ours_mps - theirs_mps).max()) if same else None,
        }
    json.dump(result, sys.stdout)


main(*sys.argv[1:])
