"""What the decoding of a film that nobody vouches for may cost: named limits, each broken by a test."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Limits:
    """Limits of the decoding process.

    Attributes
    ----------
    pixels : largest picture; 4096 x 3072 takes in all that phones call 4K.
    memory_bytes : address space of the process (where the system can limit it).
    stall_s : how long it may go on without getting any further.
    start_s : the same until the film is open.
    broken_packets : packets in a row that give no picture, after which the rest of a film is given up.
    duration_s : a film that states to be longer is not believed.
    restarts : how often the process is started anew after it ended by itself.
    """

    pixels: int = 4096 * 3072
    memory_bytes: int = 1_500_000_000
    stall_s: float = 30.0
    start_s: float = 60.0
    broken_packets: int = 200
    duration_s: float = 86_400.0
    restarts: int = 3
