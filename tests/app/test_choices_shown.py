"""Fitted apart or together by choice: on the page, in the interface, at the command line; marks; the coach."""

import json
from dataclasses import replace
from math import radians
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Engine
from typer.testing import CliRunner

from app.command_line import main
from app.fitting.attempts_csv import load_attempts, write_attempts
from app.fitting.fit import fit_shot
from app.store.log import store_reading
from app.telling.coach import coach_figures
from calibration.table import STANDARD_TABLES
from tests.app.conftest import Client, clip
from tests.app.scenario import KICK, attempt, reading
from tests.app.test_choices import images
from tests.app.test_fit import kicks

TABLE = STANDARD_TABLES["9ft"]
OTHER = replace(
    KICK, name="the other corner", rails=("right",), target_pocket="foot-left", target_ball=(2.464, 1.27 - 0.075)
)

# The sessions from the first corner, by number and day.
PARTS = ((1, "2026-03-01"), (3, "2026-03-03"))


@pytest.fixture
def both(engine: Engine, own_data_dir: Path) -> None:
    """Two sessions from one corner at two speeds, one from the other corner, and a mark in the room."""
    rng = np.random.default_rng(4)
    for k, shot in enumerate((KICK, OTHER, KICK)):
        tries = []
        for n in range(8):
            x, y = rng.uniform(0.2, 1.4), rng.uniform(0.15, 0.8)
            start = [x, y if shot is KICK else TABLE.width_m - y]
            tries.append(
                attempt(start, rng.normal(0, 0.5), shot=shot, t_s=3.0 + 5 * n, speed_mps=1.2 if n % 2 else 2.2)
            )
        store_reading(engine, replace(reading(tries), shot=shot), clip(1 + k), player="A. Player")
    (own_data_dir / "marks.toml").write_text('"window post" = [2.45, 2.45]\n')


def run(*words: object) -> str:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exit_code == 0, result.stderr
    return result.stdout


@pytest.mark.usefixtures("both")
def test_the_interface_fits_apart_and_together(client: Client) -> None:
    parts = client.get("/api/shots/1/fits", params={"by": "speed"}).json()
    assert {p["shot"]: p["attempts"] for p in parts} == {
        f"{KICK.name} (speed medium)": 8,
        f"{KICK.name} (speed soft)": 8,
    }
    assert len(client.get("/api/shots/1/fits", params={"by": "day"}).json()) == 2
    sessions = client.get("/api/shots/1/fits", params={"by": "session"}).json()
    assert [p["shot"] for p in sessions] == [f"{KICK.name} (session {k} of {day})" for k, day in PARTS]
    assert client.get("/api/shots/1/fits").status_code == client.get("/api/shots/1/fits?by=moon").status_code == 422
    pooled = client.get("/api/shots/1/fit", params={"mirrored": "pool"}).json()
    assert (pooled["shot"], pooled["attempts"]) == (KICK.name, 24)
    compared = client.get("/api/shots/2/fit", params={"mirrored": "compare"}).json()
    assert (compared["shot"], compared["attempts"]) == (OTHER.name, 8)
    assert {g["group"] for g in compared["mirrored"]["groups"]} == {KICK.name, OTHER.name}
    assert client.get("/api/shots/2/fit").json()["mirrored"] is None


@pytest.mark.usefixtures("both")
def test_the_page_offers_and_shows_it(client: Client) -> None:
    shown = client.get("/shots/1").text
    for part in ('href="/shots/1?by=speed"', 'href="/shots/1?mirrored=compare"', "window post", "For the coach"):
        assert part in shown
    assert 'href="/shots/1?by=session"' in shown
    for k, day in PARTS:
        assert f"<h2>Session: {k} of {day}" in client.get("/shots/1?by=session").text
    assert "<h2>Speed: soft" in client.get("/shots/1?by=speed").text
    assert "From the mirrored corners" in client.get("/shots/1?mirrored=compare").text
    pooled = client.get("/shots/1?mirrored=pool").text
    assert "24 of 24 attempts" in pooled
    assert "mirrored corner" in pooled
    assert client.get("/shots/1?by=moon").status_code == 422


@pytest.mark.usefixtures("both")
def test_a_file_of_marks_that_cannot_be_is_said(client: Client, own_data_dir: Path) -> None:
    (own_data_dir / "marks.toml").write_text("window post = 3")
    answer = client.get("/api/shots/1/fit")
    assert answer.status_code == 422
    assert "marks.toml" in answer.json()["error"]["message"]


@pytest.mark.usefixtures("both")
def test_the_command_line_fits_the_log_apart_and_together(tmp_path: Path) -> None:
    out = tmp_path / "fit.json"
    said = run("fit", "--json", out, "--mark", "lamp=1,3")
    assert "Thrown together here: speed medium (8), soft (8)." in said
    assert "--split speed or --split session fits them apart." in said
    assert "From session to session" in said
    assert "From day to day" not in said
    run("fit", "--json", out, "--split", "session", "--shot", KICK.name)
    assert [f["shot"] for f in json.loads(out.read_text())] == [
        f"{KICK.name} (session {k} of {day})" for k, day in PARTS
    ]
    run("fit", "--json", out, "--mark", "lamp=1,3")
    assert {"mark:lamp", "mark:window post"} < {r["rule"] for r in json.loads(out.read_text())[0]["rules"]}
    run("fit", "--json", out, "--split", "speed", "--shot", KICK.name)
    assert len(json.loads(out.read_text())) == 2
    run("fit", "--json", out, "--mirrored", "pool", "--shot", KICK.name)
    (pooled,) = json.loads(out.read_text())
    assert (pooled["shot"], pooled["attempts"]) == (KICK.name, 24)
    assert "From the mirrored corners" in run("fit", "--mirrored", "compare")


def test_a_shot_borrows_the_logs_scatter_wherever_it_is_shown(client: Client, engine: Engine, tmp_path: Path) -> None:
    """A shot of four misses: the same spread by the interface, the log's fit and the exported file's."""
    rng = np.random.default_rng(6)
    lone = replace(KICK, name="lone", target_pocket="side-right", target_ball=None)
    for k, (shot, count) in enumerate(((KICK, 12), (lone, 4))):
        tries = []
        for n in range(count):
            one = attempt([0.4 + 0.1 * n, 0.3 + 0.1 * (n % 4)], 0.2 * (-1) ** n, shot=shot, t_s=3.0 + 5 * n)
            tries.append(replace(one, bearing_rad=one.bearing_rad + radians(rng.normal(0, 0.8))))
        store_reading(engine, replace(reading(tries), shot=shot), clip(8 + k), player="A. Player")
    out, exported = tmp_path / "fit.json", tmp_path / "log.csv"
    run("export", "--to", exported)
    spreads = []
    for words in (("--shot", "lone"), (), ("--from", exported), ("--from", exported, "--shot", "lone")):
        run("fit", "--json", out, *words)
        spreads.append(next(f for f in json.loads(out.read_text()) if f["shot"] == "lone")["spread_deg"])
    shot_id = next(s["id"] for s in client.get("/api/shots").json()["items"] if s["shot"]["name"] == "lone")
    spreads.append(client.get(f"/api/shots/{shot_id}/fit").json()["spread_deg"])
    together = client.get("/api/fits").json()
    assert together == [client.get(f"/api/shots/{k}/fit").json() for k in (shot_id, 3 - shot_id)]
    assert spreads == pytest.approx([spreads[0]] * 5, rel=1e-3)
    alone = fit_shot(load_attempts(exported).rows, shot_name="lone", table=TABLE)
    assert spreads[0] != pytest.approx(alone.to_json()["spread_deg"], rel=0.02)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--split", "moon"], "--split moon: use english, speed, player, day, session."),
        (
            ["--split", "session"],
            "a file of attempts knows no sessions, only the log does; fit it apart by day instead.",
        ),
        (["--mirrored", "yes"], "--mirrored yes: use pool or compare."),
        (["--split", "day", "--mirrored", "pool"], "give one of them"),
        (["--mirrored", "pool"], "no two of these shots are alike"),
        (["--mark", "lamp"], "write a name and a place"),
    ],
)
def test_choices_that_cannot_be_are_refused(tmp_path: Path, options: list[str], said: str) -> None:
    path = tmp_path / "log.csv"
    with path.open("w") as stream:
        write_attempts(kicks(6), stream)
    result = CliRunner().invoke(main, ["fit", "--from", str(path), *options])
    assert result.exit_code == 1
    assert said in result.stderr


def test_a_file_is_fitted_with_its_shot_files_images(tmp_path: Path) -> None:
    path, out = tmp_path / "log.csv", tmp_path / "fit.json"
    with path.open("w") as stream:
        write_attempts([*kicks(10), *images(kicks(10, seed=2))], stream)
    shot = 'name = "{}"\nkind = "kick"\nrails = ["{}"]\nmade = "pocketed"\ntarget = {{ pocket = "{}" }}\n'
    (tmp_path / "a.toml").write_text(shot.format("kick", "left", "foot-right"))
    (tmp_path / "b.toml").write_text(shot.format("other", "right", "foot-left"))
    run("fit", "--from", path, "--shots", tmp_path, "--mirrored", "pool", "--json", out)
    (pooled,) = json.loads(out.read_text())
    assert pooled["attempts"] == 20


def test_the_coachs_figures() -> None:
    rows = [replace(r, at=f"2026-03-0{1 + r.row % 2}", speed_mps=1.0 + 0.1 * (r.row % 7)) for r in kicks(18)]
    figures = {f.heading: f for f in coach_figures(fit_shot(rows, shot_name="kick", table=TABLE))}
    assert list(figures) == ["The fit", "Ways to aim", "How the point moves with the start", "From day to day"]
    assert all(len(row) == len(f.columns) for f in figures.values() for row in f.rows)
    assert any("m/s harder" in what for what, _ in figures["The fit"].rows)
    assert [row[0] for row in figures["From day to day"].rows] == ["2026-03-01", "2026-03-02"]
    nothing = coach_figures(fit_shot([], shot_name="kick", table=TABLE))
    assert nothing == ()
