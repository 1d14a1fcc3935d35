"""`lullwatt appraise --results`: the same rows from a cluster, kept, and none done twice."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from shutil import copytree
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from distributed import LocalCluster

from daemon.desk.appraised_view import appraised_row as appraised
from daemon.desk.appraising import HomeChoices
from daemon.fleet import task
from daemon.fleet.results import Results
from tests.benchmarks.desk_homes import choices_file, homes
from tests.support.commands import Ran

Run = Callable[..., Ran]


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("desk")
    homes(folder, 3)
    choices_file(folder)
    return folder


@pytest.fixture
def scheduler() -> Iterator[str]:
    """Run a cluster in threads of this process."""
    with LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=1, threads_per_worker=1, processes=False, protocol="tcp", host="127.0.0.1",
        dashboard_address=None,
    ) as cluster:  # fmt: skip
        yield cluster.scheduler_address


def test_a_cluster_gives_the_rows_of_one_process_and_does_none_twice(
    desk: Path, tmp_path: Path, scheduler: str, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To the byte; a home that changed is done again, and so is one that failed."""
    done: list[str] = []

    def counted(home: HomeChoices) -> dict[str, Any]:
        done.append(home.name)
        return appraised(home)

    monkeypatch.setattr(task, "appraised_row", counted)
    files = [*sorted(desk.glob("home-*/house.yaml")), tmp_path / "later" / "house.yaml"]
    files.append(files[0])
    asked = ("appraise", str(desk / "choices.yaml"), "--homes", *map(str, files), "--json")
    kept = tmp_path / "kept"
    fleet = ("--results", str(kept), "--scheduler", scheduler)
    plain, first = run(*asked), run(*asked, *fleet)
    assert (first.code, first.err) == (3, "")
    assert json.loads(first.out) == json.loads(plain.out)
    assert len(done) == 3
    copytree(desk / "first", files[3].parent)
    text = files[1].read_text("utf-8")
    files[1].write_text(text.replace("standing_charge: 1.80", "standing_charge: 1.90"), "utf-8")
    again = run(*asked, *fleet)
    assert sorted(done[3:]) == ["Home 1", "Kowhai Cottage"]
    assert json.loads(again.out) == json.loads(run(*asked).out)
    rows = pq.read_table(kept).to_pylist()
    assert sorted(row["household"] for row in rows) == [
        "Home 0",
        "Home 1",
        "Home 2",
        "Kowhai Cottage",
    ]


def test_a_home_whose_process_dies_twice_is_a_row(desk: Path, tmp_path: Path, run: Run) -> None:
    """On a cluster of this machine; no home is appraised in a millisecond."""
    home, kept = desk / "first" / "house.yaml", tmp_path / "kept"
    asked = ("appraise", str(desk / "choices.yaml"), "--homes", str(home))
    ran = run(*asked, "--results", str(kept), "--workers", "1", "--limit", "0.00001")
    assert (ran.code, ran.out) == (2, "")
    assert "ended twice: it took too long" in ran.err
    assert Results(kept).get(str(home)) is not None


def test_results_with_other_columns_are_made_again(tmp_path: Path) -> None:
    """Another version wrote them: a figure that it did not have must not be missing."""
    made = Results(tmp_path)
    made.add({"path": "/a", "inputs": "x"})
    made.flush()
    [file] = tmp_path.iterdir()
    assert Results(tmp_path).get("/a") is not None
    pq.write_table(pq.read_table(file).drop(["outlay"]), file)
    assert Results(tmp_path).get("/a") is None


def test_a_folder_that_holds_something_else_is_refused(
    desk: Path, tmp_path: Path, run: Run
) -> None:
    """A file in its place, or a file of its names that is no Parquet, or somebody's own Parquet."""
    home = desk / "first" / "house.yaml"
    asked = ("appraise", str(desk / "choices.yaml"), "--homes", str(home))
    (tmp_path / "homes-000001.parquet").write_text("no Parquet", "utf-8")
    own = tmp_path / "own"
    own.mkdir()
    pq.write_table(pa.table({"home": ["Rata"]}), own / "homes-000001.parquet")
    for folder in (desk / "choices.yaml", tmp_path, own):
        ran = run(*asked, "--results", str(folder))
        assert (ran.code, ran.out) == (2, "")
        assert f"--results: {folder}: can't be used" in ran.err
        assert ran.err.count("\n") == 1
    ran = run(*asked, "--scheduler", "tcp://127.0.0.1:1")
    assert "--scheduler: expected --results with a folder beside it" in ran.err
