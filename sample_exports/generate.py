"""Writes the sample exports: `python sample_exports/generate.py --seed 7 --truth FOLDER`."""

import argparse
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

from sample_exports.generator.build import DEFAULT_SEED, build, scramble  # noqa: E402 (needs the path above)


def main() -> None:
    """Reads the arguments and writes the exports and, beside them, the truth."""
    parser = argparse.ArgumentParser(
        description="Makes the exports of the invented academy, and their truth."
    )
    parser.add_argument("--seed", type=int, default=DEFAULT_SEED, help="same seed, same bytes")
    parser.add_argument("--out", type=Path, default=HERE, help="where the exports go")
    parser.add_argument("--truth", type=Path, required=True, help="a folder outside the exports")
    parser.add_argument(
        "--changed-layouts", type=Path, help="write through changed layouts, kept in this folder"
    )
    args = parser.parse_args()
    if args.changed_layouts is None:
        build(args.seed, args.out, args.truth)
    else:
        scramble(args.seed, args.out, args.truth, args.changed_layouts)
    print(f"Wrote the exports of seed {args.seed} to {args.out} and their truth to {args.truth}.")


if __name__ == "__main__":
    main()
