"""Jobs on real processes: each by itself, killed ones done again once, late ones ended; the same on a cluster."""

import importlib
import multiprocessing
import os
import signal
import time
from pathlib import Path

import pytest

from reviewkit import crew
from reviewkit.crew import Lost, results
from reviewkit.errors import SetupError

# What jobs do, in a module that a process can import by its name.
DEEDS = '''
import os, signal, time
from pathlib import Path

def deed(job):
    """Do what a job says and note that it was begun; a job is a name, a folder and what to do."""
    name, folder, what = job
    with Path(folder, name).open("a") as file:
        file.write(f"{os.getpid()}\\n")
    if what == "raise":
        raise ValueError("a thing\\nof two lines")
    if what == "exit":
        raise SystemExit(3)
    if what == "die" or what == "die once" and len(Path(folder, name).read_text().split()) == 1:
        os.kill(os.getpid(), signal.SIGKILL)
    if what == "hang":
        time.sleep(600)
    if what == "slow":
        time.sleep(0.4)
    return f"{name} done"
'''


@pytest.fixture(scope="module")
def deed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("deeds")
    (folder / "reviewkit_test_deeds.py").write_text(DEEDS)
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(folder))
        yield importlib.import_module("reviewkit_test_deeds").deed


def done(deed, folder: Path, workers: int = 2, longest_s: float = 60.0, scheduler: str = "", **jobs: str):
    asked = [(name, str(folder), what) for name, what in jobs.items()]
    told = results(deed, asked, workers=workers, longest_s=longest_s, scheduler=scheduler)
    return {name: result for (name, _, _), result in told}


def begun(folder: Path, name: str) -> list[int]:
    """Processes that began a job, in order."""
    return [int(pid) for pid in (folder / name).read_text().split()]


def test_no_job_starts_no_process(deed, tmp_path):
    assert done(deed, tmp_path) == {}
    assert multiprocessing.active_children() == []


def test_what_goes_wrong_costs_its_own_job_only(deed, tmp_path):
    told = done(deed, tmp_path, a="", bad="raise", dead="die", b="", once="die once", c="", exits="exit")
    assert {name: told[name] for name in ("a", "b", "c", "once")} == {n: f"{n} done" for n in ("a", "b", "c", "once")}
    assert told["bad"] == Lost("it stopped (ValueError: a thing of two lines)")
    assert told["exits"] == Lost("it stopped (SystemExit: 3)")
    assert told["dead"].reason.startswith("its process was killed 2 times")
    # Tried twice each, by another process; nothing else was done twice.
    assert {name: len(begun(tmp_path, name)) for name in told} == dict.fromkeys(told, 1) | {"dead": 2, "once": 2}
    assert len(set(begun(tmp_path, "once"))) == 2
    assert multiprocessing.active_children() == []


def test_a_process_stays_warm_for_the_next_job_and_is_renewed_in_time(deed, tmp_path, monkeypatch):
    monkeypatch.setattr(crew, "_JOBS_A_PROCESS", 2)
    done(deed, tmp_path, workers=1, a="", b="", c="")
    a, b, c = (begun(tmp_path, name) for name in "abc")
    assert a == b != c


def test_a_late_job_is_ended_and_not_tried_again(deed, tmp_path):
    began = time.monotonic()
    told = done(deed, tmp_path, longest_s=1.0, late="hang", a="slow", b="slow", c="slow")
    assert told.pop("late").reason.startswith("it took longer than 1 s and was ended")
    assert told == {name: f"{name} done" for name in "abc"}
    assert len(begun(tmp_path, "late")) == 1
    assert time.monotonic() - began < 60
    assert multiprocessing.active_children() == []


def test_a_process_that_dies_between_two_jobs_is_replaced(deed, tmp_path):
    told = []
    for job, result in results(deed, [("a", str(tmp_path), ""), ("b", str(tmp_path), "")], workers=1, longest_s=60):
        told.append(result)
        if job[0] == "a":
            pid = begun(tmp_path, "a")[0]
            os.kill(pid, signal.SIGKILL)
            while any(child.pid == pid for child in multiprocessing.active_children()):
                time.sleep(0.01)
    assert told == ["a done", "b done"]


def test_whoever_stops_waiting_leaves_no_process(deed, tmp_path):
    asked = [("a", str(tmp_path), ""), ("late", str(tmp_path), "hang")]
    told = results(deed, asked, workers=2, longest_s=600)
    assert next(told) == (asked[0], "a done")
    told.close()
    assert multiprocessing.active_children() == []


@pytest.fixture(scope="module")
def cluster(deed):
    """A real scheduler on this machine with two worker processes that come back when they are killed."""
    distributed = pytest.importorskip("distributed")
    options = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": ":0", "silence_logs": 50}
    with distributed.LocalCluster(**options) as made:
        yield made


def test_the_same_jobs_on_a_cluster(deed, tmp_path, cluster):
    jobs = {"a": "slow", "b": "slow", "bad": "raise", "once": "die once", "c": ""}
    told = done(deed, tmp_path, scheduler=cluster.scheduler_address, **jobs)
    assert told.pop("bad") == Lost("it stopped (ValueError: a thing of two lines)")
    assert told == {name: f"{name} done" for name in ("a", "b", "c", "once")}
    assert len({pid for name in jobs for pid in begun(tmp_path, name)}) >= 2
    assert len(set(begun(tmp_path, "once"))) == 2


def test_a_cluster_that_hangs_is_given_up(deed, tmp_path, cluster):
    told = done(deed, tmp_path, scheduler=cluster.scheduler_address, longest_s=2.0, a="", late="hang")
    assert told == {"a": "a done", "late": Lost("the cluster finished nothing for 2 s; look after its workers")}


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nowhere", "tcp://:::x"])
def test_a_scheduler_that_is_not_there_is_told_in_a_line(deed, tmp_path, address, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr(crew, "_CONNECT_S", 0.5)
    with pytest.raises(SetupError, match="cannot be reached") as error:
        done(deed, tmp_path, scheduler=address, a="")
    assert "\n" not in str(error.value)
