"""What the user should know about a film that was read: what it lacks, repeats, or stands still for."""

from vision.film.clip import INTERLACED, Clip
from vision.rhythm.repeats import Repeats
from vision.rhythm.shown_again import ShownAgain

# A few pictures that are shown twice are not worth a word.
REPEATS_TOLD = 10


def film_warnings(clip: Clip, repeats: Repeats, shown: ShownAgain) -> tuple[str, ...]:
    """One sentence for each thing; ``clip`` was read through, and its pictures looked at, by the other two."""
    out = [*clip.warnings, *([INTERLACED] if clip.woven else ())]
    if shown.learnt:
        out.append(
            f"each picture is shown {shown.times:.2g} times in the mean, as in a film brought to a higher frame rate; "
            "it was read once"
        )
    elif repeats.count >= REPEATS_TOLD:
        out.append("some pictures are shown twice, as in a film brought to another frame rate; each was read once")
    for from_s, until_s in repeats.stood:
        out.append(f"the film stands still from {from_s:.1f} to {until_s:.1f} s; what the balls did then is not seen")
    if repeats.left_out:
        out.append(
            "pictures are left out by turns, as in a film brought to a lower frame rate; the times of the others were "
            "put back"
        )
    if repeats.leaps:
        out.append(
            f"pictures are missing in {len(repeats.leaps)} places, first at {repeats.leaps[0]:.1f} s, and the times "
            "of the film do not say so: they were put back where balls leap, but speeds there may be off by "
            f"{max(repeats.missing(), 0.01):.0%}; give the camera's own file"
        )
    if clip.gaps.count:
        out.append(clip.gaps.told())
    if clip.died:
        out.append(f"the film ends at {clip.last_s:.1f} s, where {clip.died}; what was read is kept")
    elif not clip.complete:
        out.append(f"the film ends at {clip.last_s:.1f} s, before its stated end; what was read is kept")
    if clip.frames_lost:
        lost = "1 frame could" if clip.frames_lost == 1 else f"{clip.frames_lost} frames could"
        out.append(f"{lost} not be decoded, or had no time: left out")
    return tuple(out)
