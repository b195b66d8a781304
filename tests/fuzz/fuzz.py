"""A coverage-guided search for bytes that break a decoder, for as long as you like.

    .venv/bin/pip install atheris                     (Linux; not among the locked packages, nothing else needs it)
    .venv/bin/python tests/fuzz/fuzz.py upload -max_total_time=60
    .venv/bin/python tests/fuzz/fuzz.py sheet -max_total_time=600 CORPUS_FOLDER

Words behind the target's name go to libFuzzer. It stops at the first fault and leaves the bytes in a file crash-...;
feed them again by naming that file.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))


def main() -> int:
    """Run; the exit status is libFuzzer's."""
    try:
        import atheris
    except ImportError:
        sys.stderr.write("this needs atheris: .venv/bin/pip install atheris\n")
        return 2
    with atheris.instrument_imports(include=["asleft", "tomllib", "csv"]):
        from targets import TARGETS
    if len(sys.argv) < 2 or sys.argv[1] not in TARGETS:
        sys.stderr.write(f"usage: fuzz.py TARGET [words for libFuzzer]; targets: {', '.join(TARGETS)}\n")
        return 2
    target = TARGETS[sys.argv[1]]

    def feed(data: bytes) -> None:
        try:
            target.feed(data)
        except target.refusals:
            return

    with tempfile.TemporaryDirectory() as corpus:
        for number, seed in enumerate(target.seeds):
            (Path(corpus) / f"seed-{number}").write_bytes(seed)
        words = [sys.argv[0], "-rss_limit_mb=1024", "-timeout=10", *sys.argv[2:], corpus]
        atheris.Setup(words, feed)
        atheris.Fuzz()
    return 0


if __name__ == "__main__":
    sys.exit(main())
