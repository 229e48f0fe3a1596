"""Two processes writing at once, and processes killed while they write: nothing lost, nothing damaged."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

import evenbeat as eb

NURSERY = '''
"""Forks writers that append as fast as they can, kills them at random moments, reports what they said."""
import json, os, random, signal, sys, time
from evenbeat.register.register import Register

def child(path, name, batch, count):
    """Fork a writer; it names the last entry of each append that it was told is kept."""
    read, write = os.pipe()
    pid = os.fork()
    if pid:
        os.close(write)
        return pid, read
    os.close(read)
    register, done = Register.open(path), 0
    while count is None or done < count:
        facts = [Draft(fact=Calibration(instrument=name, date=stamp(done * batch + i), as_found="in"))
                 for i in range(batch)]
        kept = register.append(facts)
        os.write(write, b"%d\\n" % kept[-1].number)
        done += 1
    os._exit(0)

def stamp(number):
    global offset
    return str(np.datetime64("1900-01-01") + np.timedelta64(offset + number, "D"))

import numpy as np
from evenbeat.register.facts import Calibration
from evenbeat.register.register import Draft

path, kills, seed = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
rng, offset = random.Random(seed), 0
register = Register.create(path)
for name in ("one", "two"):
    register.add_instrument(name)
said, torn, turn = [], 0, 0
while turn < kills or len(said) <= kills:  # a slow machine takes more turns until as many were acknowledged
    offset = 2000 * turn
    turn += 1
    batch = rng.choice((1, 3, 40))
    children = [child(path, name, batch, None) for name in ("one", "two")]
    time.sleep(rng.uniform(0.0, 0.06))
    for pid, read in children:
        os.kill(pid, signal.SIGKILL)
    for pid, read in children:
        os.waitpid(pid, 0)
        text = os.fdopen(read).read()
        said += [(batch, int(number)) for number in text.split()]
    torn += os.path.exists(path + "-journal")
killed = len(register.entries())
offset = 2000 * turn
children = [child(path, name, 1, 40) for name in ("one", "two")]
status = [os.waitpid(pid, 0)[1] for pid, _ in children]
print(json.dumps({"said": said, "after_kills": killed, "status": status, "torn": torn, "turns": turn}))
'''


def nursery(path: Path, *, kills: int, seed: int) -> dict[str, object]:
    """Run the writers and return what they said."""
    done = subprocess.run(
        [sys.executable, "-c", NURSERY, str(path), str(kills), str(seed)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def check(path: Path, *, kills: int, seed: int) -> dict[str, object]:
    """Assert that everything that was acknowledged is there, in whole transactions, in one chain."""
    told = nursery(path, kills=kills, seed=seed)
    register = eb.Register.open(path)
    entries = register.entries()
    assert eb.register.verify_register(register).intact
    assert told["status"] == [0, 0]
    assert len(entries) == told["after_kills"] + 80
    written = {entry.number for entry in entries}
    assert {number for _, number in told["said"]} <= written
    kept = sum(batch for batch, _ in told["said"])
    lost_word = told["after_kills"] - 2 - kept
    # a commit may outlive the process that could have told of it
    assert 0 <= lost_word <= 2 * 40 * told["turns"]
    return told


@pytest.mark.slow
def test_two_writers_and_a_few_kills(tmp_path: Path) -> None:
    """A handful of kills of two writers at once."""
    check(tmp_path / "r.sqlite", kills=3, seed=20260301)


@pytest.mark.slow
def test_two_writers_and_many_kills(tmp_path: Path) -> None:
    """Three hundred turns of two writers killed at random moments, some in the middle of a write."""
    told = check(tmp_path / "r.sqlite", kills=300, seed=7)

    assert told["torn"] > 0  # some did die with an unfinished write on the disk
    assert len(told["said"]) > 300
