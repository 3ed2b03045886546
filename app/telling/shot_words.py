"""A shot and its stroke in a few words."""

from vision.shot import Shot


def describe_shot(shot: Shot) -> str:
    """``kick, left rail, to the foot-right pocket; medium speed``."""
    text = f"{shot.kind}, {', '.join(shot.rails)} rail{'s' if len(shot.rails) > 1 else ''}"
    if shot.target_pocket:
        text += f", to the {shot.target_pocket} pocket"
    elif shot.made == "hit":
        text += ", to hit the target ball"
    if shot.stroke.speed is not None:
        said = shot.stroke.speed
        text += f"; {said} speed" if isinstance(said, str) else f"; {said:g} m/s"
    if shot.stroke.english != "none":
        text += f", {shot.stroke.english} english"
    return text


def describe_stroke(shot: Shot) -> str:
    """``medium speed, 1 tip of running english, follow``."""
    stroke = shot.stroke
    said = ["speed not stated"]
    if stroke.speed is not None:
        said = [f"{stroke.speed} speed" if isinstance(stroke.speed, str) else f"{stroke.speed:g} m/s"]
    tips = f"{stroke.tips:g} tip{'' if stroke.tips == 1 else 's'} of " if stroke.tips else ""
    said.append("no english" if stroke.english == "none" else f"{tips}{stroke.english} english")
    if stroke.height != "centre":
        said.append(stroke.height)
    return ", ".join(said)
