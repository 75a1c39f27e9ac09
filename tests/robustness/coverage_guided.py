"""The readers of text and bytes under a fuzzer that looks which lines its inputs reach (atheris).

``python tests/robustness/coverage_guided.py --inputs 20000 --seed 1`` feeds each reader and prints how many inputs it
took, how many edges of the readers' code they reached, and the first failure of each. Needs the extra
``fuzz``; there are wheels of atheris for Linux only.
"""

from __future__ import annotations

import argparse
import os
import re
import subprocess
import sys
import tempfile
import warnings
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

#: Reader, and its share of the inputs; a file's reader is a thousand times slower than a cell's.
SHARES = {
    "band formulas": 20, "grid references": 20, "dates": 20, "numbers, degrees, distances": 20, "names and words": 8,
    "text files": 4, "exchange archives": 2, "study files": 4, "workbooks": 2,
}  # fmt: skip


def run_one(name: str, inputs: int, seed: int) -> None:
    """Fuzz one reader in this process, which the fuzzer ends."""
    import atheris

    with atheris.instrument_imports(include=["morphcline.scoring", "morphcline.places.grid_references",
                                             "morphcline.records.dates", "morphcline.records.numbers",
                                             "morphcline.files", "morphcline.study"]):  # fmt: skip
        import making_inputs as making
        from readers import READERS
    import random

    reader = next(one for one in READERS if one.name == name)
    folder = Path(tempfile.mkdtemp())
    texts = {"band formulas": making.BANDINGS, "grid references": making.REFERENCES, "dates": making.DATES,
             "numbers, degrees, distances": making.NUMBERS, "names and words": making.WORDS}  # fmt: skip

    def feed(data: bytes) -> None:
        warnings.simplefilter("ignore")
        reader.feed(data.decode("utf-8", errors="replace") if name in texts else data, folder)

    seeds = folder / "seeds"
    seeds.mkdir()
    rng = random.Random(seed)
    examples = [text.encode() for text in texts[name]] if name in texts else [reader.make(rng) for _ in range(40)]
    for number, example in enumerate(examples):
        (seeds / str(number)).write_bytes(example)
    options = [sys.argv[0], f"-runs={inputs}", f"-seed={seed}", "-max_len=4096", "-timeout=20", "-rss_limit_mb=3000"]
    atheris.Setup([*options, f"-artifact_prefix={folder}/", str(seeds)], feed)
    atheris.Fuzz()


def main() -> int:
    """Run every reader, each in a process of its own."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--inputs", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--reader", help="one reader, in this process")
    asked = parser.parse_args()
    if asked.reader:
        run_one(asked.reader, asked.inputs, asked.seed)
        return 0
    failed = total = 0
    for name, share in SHARES.items():
        inputs = max(1, asked.inputs * share // sum(SHARES.values()))
        command = [sys.executable, __file__, "--reader", name, "--inputs", str(inputs), "--seed", str(asked.seed)]
        done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False, env=os.environ)
        reached = re.findall(r"cov: (\d+)", done.stderr)
        count = re.findall(r"Done (\d+) runs", done.stderr)
        taken, edges = int(count[0]) if count else 0, int(reached[-1]) if reached else 0
        total += taken
        print(f"{name:<28}{taken:>9,} inputs{edges:>8,} edges reached")
        if done.returncode or not count:
            failed += 1
            print("  ! " + "\n    ".join(done.stderr.strip().splitlines()[-12:]))
    print(f"{total:,} inputs, seed {asked.seed}: {failed} readers failed")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
