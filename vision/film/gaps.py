"""Stretches that a film leaves out: of damage that its container passes over, of a camera that paused."""

from dataclasses import dataclass

# A stroke and all that tells of it may lie in a stretch of this length. What phones drop now and then is shorter.
LEAST_GAP_S = 0.5


@dataclass(frozen=True)
class Gaps:
    """How many stretches were left out, their length together in seconds, and from when to when the first."""

    count: int = 0
    together_s: float = 0.0
    first_s: tuple[float, float] = (float("nan"), float("nan"))

    def after(self, before_s: float, now_s: float) -> "Gaps":
        """The same once two frames at these times were read one after the other."""
        if not now_s - before_s > LEAST_GAP_S:
            return self
        first_s = self.first_s if self.count else (before_s, now_s)
        return Gaps(self.count + 1, self.together_s + now_s - before_s, first_s)

    def told(self) -> str:
        """A sentence for the user, without its stop; empty when nothing is left out."""
        if not self.count:
            return ""
        first = f"from {self.first_s[0]:.1f} to {self.first_s[1]:.1f} s"
        if self.count == 1:
            return f"the film leaves out what happened {first}; nothing of it is seen"
        return (
            f"the film leaves out {self.count} stretches, {self.together_s:.1f} s together, the first {first}; nothing "
            "of them is seen"
        )
