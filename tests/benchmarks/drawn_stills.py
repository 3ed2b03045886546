"""Stills of tables drawn at random, coded as a film's are: what the registration is held against beside known clips."""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import av
import numpy as np

from tests.benchmarks.drawn_films import MadeUp, draw_film
from tests.known_stills import KnownStill, Picture
from tests.rendering import Ball, Stage
from tests.rendering.picture import with_noise

# How many frames of a still are taken, each with noise of its own.
FRAMES = 9
# Quantiser steps that leave about a third of the bit rate; what a re-encoder takes for its quality else.
COARSER_CRF = 10
DEFAULT_HEAD = {"above": "left", "from the head": "bottom", "from the side": "left"}


@dataclass(frozen=True)
class DrawnStill:
    """Frames of one view, the truth in a still of them, how it was drawn, and how it was coded."""

    frames: list[Picture]
    still: KnownStill
    view: str
    variant: str


def coded(frames: list[Picture], crf: int) -> list[Picture]:
    """What is left of frames once they were coded as a film at this quality (H.264), one after the other."""
    codec = av.CodecContext.create("libx264", "w")
    codec.height, codec.width = frames[0].shape[:2]
    codec.pix_fmt, codec.options = "yuv420p", {"crf": str(crf), "preset": "veryfast", "bf": "0", "threads": "1"}
    codec.time_base = Fraction(1, 30)
    packets = []
    for k, picture in enumerate(frames):
        frame = av.VideoFrame.from_ndarray(picture, format="bgr24")
        frame.pts = k
        packets += codec.encode(frame)
    decoder = av.CodecContext.create("h264", "r")
    packets += codec.encode(None)
    shown = [f for packet in packets for f in decoder.decode(packet)] + list(decoder.decode(None))
    return [np.asarray(f.to_ndarray(format="bgr24"), np.uint8) for f in shown]


def drawn_stills(count: int, seed: int, first: int = 0) -> Iterator[DrawnStill]:
    """Each table and view as its film would be coded, and at about a third of that bit rate."""
    for number in range(first, first + count):
        film: MadeUp = draw_film(np.random.default_rng([seed, number]))
        starts = film.tries[0].starts_m
        balls = [Ball(*starts[name], *film.dress[name]) for name in starts]
        levels = Stage.build(film.camera, film.table, film.look).still(balls)
        view = next(v for v in DEFAULT_HEAD if v in film.told)
        random = np.random.default_rng([seed, number, 1])
        frames = [with_noise(levels, film.look.noise_sd, random) for _ in range(FRAMES)]
        for variant, crf in (("as it is", film.crf), ("a third of the bit rate", film.crf + COARSER_CRF)):
            shown = coded(frames, crf)
            still = KnownStill(shown[0], film.camera, film.table, 0, DEFAULT_HEAD[view])
            yield DrawnStill(shown, still, view, variant)
