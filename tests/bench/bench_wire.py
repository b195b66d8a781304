"""Encoding and decoding of a one-second block.

    python tests/bench/bench_wire.py [--repeat 500]

100 Hz, the channels of the default valve as converter counts, no burst. Median and longest wall time of one call.
"""

from __future__ import annotations

import argparse

import plant
from asleft.wire.codec import decode_upload, encode_block


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeat", type=int, default=500, help="calls of each kind (default 500)")
    repeat = parser.parse_args().repeat
    block = plant.block_of(plant.record(10.0), 3)
    data = encode_block(block)
    encode, encode_most = plant.timed(lambda: encode_block(block), repeat)
    decode, decode_most = plant.timed(lambda: decode_upload(data), repeat)
    plant.table(
        [
            ("channels", f"{len(block.channels)}"),
            ("bytes a block", f"{len(data)}"),
            ("bytes a reading", f"{len(data) / (block.size * len(block.channels)):.2f}"),
            ("encode, median (longest)", f"{encode:.3f} ({encode_most:.2f}) ms"),
            ("decode, median (longest)", f"{decode:.3f} ({decode_most:.2f}) ms"),
        ]
    )


if __name__ == "__main__":
    main()
