"""What balls lay on the table in a film without a stroke: none at all, or none that is a cue ball."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from vision.strokes import Ball

# What lay for no longer is a hand, or a ball on its way.
LAY_S = 1.0


@dataclass
class BallsLain:
    """How long balls of each name lay still, in seconds, over the whole film."""

    seconds: dict[str, float] = field(default_factory=dict)

    def take(self, balls: Iterable[Ball]) -> None:
        for ball in balls:
            lay_s = sum(rest.last_s - rest.first_s for rest in ball.rests)
            self.seconds[ball.name] = self.seconds.get(ball.name, 0.0) + lay_s

    def why_no_stroke(self, film_s: float) -> str | None:
        """Why there was no ball to be struck in a film of ``film_s`` seconds, as part of a sentence; None when a cue
        ball lay there."""
        if film_s < LAY_S:
            lasts = f"lasts only {film_s:.1f} s" if film_s > 0 else "is a single picture"
            return f"the film {lasts}: too little to see a ball lie and be struck, so film every stroke from before it"
        names = [name for name, lay_s in self.seconds.items() if lay_s >= LAY_S]
        if "cue" in names:
            return None
        if not names:
            return "no ball was seen to lie on the table: film the table with the balls on it, in even light"
        colours = sorted({name.split("-")[0] for name in names})
        told = colours[0] if len(colours) == 1 else f"{', '.join(colours[:-1])} and {colours[-1]}"
        return (
            f"no white ball was seen to lie on the table, only {told} ones: the cue ball is told by its white, so play "
            "with a white one (dots do no harm), in light that does not tint it"
        )
