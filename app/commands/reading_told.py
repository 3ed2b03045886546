"""A reading told at the terminal: attempts as lines in words, remarks and notes below."""

from app.commands.terminal import counted, grid, say
from app.store.log import table_of
from app.telling.words import AttemptWords, tell_attempt
from calibration.camera import Setup
from vision.mixed_reading import MixedReading
from vision.reading import Reading

# Of a film without attempts so many moves that were none are told.
MOST_MOVES = 5


def print_mixed(found: MixedReading, setup: Setup | None) -> None:
    for one in found.attempted:
        print_attempts_at(one, setup)
    idle = [repr(r.shot.name) for r in found.readings if not r.attempts]
    if idle:
        say(f"No attempt at {', '.join(idle)}.")
    if found.unassigned:
        times = ", ".join(f"{u.attempt.t_s:.1f} s" for u in found.unassigned)
        say(f"{counted(len(found.unassigned), 'stroke')} at none of the shots, kept unassigned: at {times}.")
    print_notes(found.readings[0])


def print_reading(found: Reading, setup: Setup | None) -> None:
    print_attempts_at(found, setup)
    if not found.attempts:
        print_why_none(found)
    print_notes(found)


def print_why_none(found: Reading) -> None:
    """What was seen in a film without attempts: the moves that were none, or that there was none at all."""
    for move in found.not_attempts[:MOST_MOVES]:
        say(f"No attempt at {move.t_s:.1f} s: {move.why}.")
    if len(found.not_attempts) > MOST_MOVES:
        say(f"{len(found.not_attempts) - MOST_MOVES} more such moves followed.")
    if not found.not_attempts:
        say("No cue ball was seen to be struck.")


def print_attempts_at(found: Reading, setup: Setup | None) -> None:
    table = setup.table if setup is not None else table_of(found)
    words = [tell_attempt(a, found.shot, table) for a in found.attempts]
    say(
        f"{found.shot.name}: {counted(len(found.attempts), 'attempt')} "
        f"on a {found.table_name} table, head rail at the {found.head} of the picture."
    )
    if words:
        print_attempts([(a.t_s, w) for a, w in zip(found.attempts, words, strict=True)])


def print_notes(found: Reading) -> None:
    for warning in found.warnings:
        say(f"Note: {warning}.")


def print_attempts(attempts: list[tuple[float, AttemptWords]]) -> None:
    """Attempts as lines in words; remarks follow below."""
    grid(
        ("No.", "At", "Result", "Miss", "in sights", "Start, in sights", "Line, at sight", "Speed"),
        [
            (
                str(k),
                f"{t_s:.1f} s",
                w.outcome,
                w.miss,
                w.miss_sights.removesuffix(" sights"),
                w.start.replace(" along", "").replace(" across", ""),
                w.line.replace(" at the ", " ").removesuffix(" rail's sights"),
                w.speed,
            )
            for k, (t_s, w) in enumerate(attempts, 1)
        ],
    )
    for k, (_, w) in enumerate(attempts, 1):
        for remark in w.remarks:
            say(f"Attempt {k}: {remark}.")
