"""A batch against single commands on the same submissions of 20,000 triangles: equal findings always, times told.

Times are of this machine as it is: let it be idle.  ``REVIEWKIT_BENCH_SUBMISSIONS=50`` makes the whole
comparison, which takes a quarter of an hour; by default there are 4.  The largest process of the batch is
told with its times; ``--benchmark-json`` keeps both.
"""

import json
import os
import resource
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import trimesh

SUBMISSIONS = int(os.environ.get("REVIEWKIT_BENCH_SUBMISSIONS", "4"))
ROOT = Path(__file__).resolve().parents[2]
BATCH = """
import sys
from reviewkit.weekly import run_week
if __name__ == "__main__":
    print(run_week(sys.argv[1], sys.argv[2], workers=int(sys.argv[3])).words)
"""


def block(number: int) -> trimesh.Trimesh:
    """A plate with a bored boss, no two alike, of 20,000 triangles or a little more."""
    plate = trimesh.creation.box(bounds=[[0, 0, 0], [40 + number / 7, 25, 6]])
    boss = trimesh.creation.cylinder(radius=6, height=14, sections=64)
    bore = trimesh.creation.cylinder(radius=3, height=40, sections=64)
    boss.apply_translation([12, 12, 9])
    bore.apply_translation([12, 12, 8])
    made = trimesh.boolean.difference([trimesh.boolean.union([plate, boss]), bore])
    while len(made.faces) < 20_000:
        edges = np.sort(made.edges_unique_length)
        made = made.subdivide_to_size(max_edge=edges[-1] * 0.8)
    return made


@pytest.fixture(scope="module")
def root(tmp_path_factory) -> Path:
    root = tmp_path_factory.mktemp("bench")
    (root / "batch.py").write_text(BATCH)
    for number in range(SUBMISSIONS):
        folder = root / "in" / f"block-{number}"
        folder.mkdir(parents=True)
        block(number).export(folder / "p.stl")
        (folder / "submission.toml").write_text(
            f'[submission]\nnumber = "N-{number}"\nrevision = "A"\nname = "Block {number}"\nquantity = 1000\n'
            '[[part]]\nid = "p"\nfile = "p.stl"\nunits = "mm"\nmaterial = "PETG"\n'
        )
    return root


def run(*words: object) -> None:
    subprocess.run([sys.executable, *map(str, words)], cwd=ROOT, check=True, capture_output=True)


def cpu_s() -> float:
    """Processor time of all processes that were started and ended [s]; a busy machine stretches the clock."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def test_single_commands(root, benchmark):
    def every() -> None:
        for folder in sorted((root / "in").iterdir()):
            run("-m", "reviewkit", "review", folder, "--out", root / "single" / folder.name)

    before = cpu_s()
    benchmark.pedantic(every, rounds=1)
    benchmark.extra_info["processor s"] = round(cpu_s() - before, 1)


@pytest.mark.parametrize("workers", [1, os.cpu_count() or 2])
def test_one_batch(root, benchmark, workers):
    def batch() -> None:
        shutil.rmtree(root / "batch", ignore_errors=True)
        run(root / "batch.py", root / "in", root / "batch", workers)

    before = cpu_s()
    benchmark.pedantic(batch, rounds=1)
    benchmark.extra_info["processor s"] = round(cpu_s() - before, 1)
    benchmark.extra_info["largest process MB"] = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // 1024
    for single in sorted((root / "single").iterdir()):
        told = [json.loads((place / "review.json").read_bytes()) for place in (single, root / "batch" / single.name)]
        assert told[0] == told[1]
