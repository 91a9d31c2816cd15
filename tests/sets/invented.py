"""Frames to play, of no set; invented figures."""

from maskforge.playing.playlist import PlayedFrame


def frames(*counts: int) -> tuple[PlayedFrame, ...]:
    """Labels LP01, LP11, LP21 ... of so many orientations each, in play order; invented figures."""
    listed = [(l, k, count) for l, count in enumerate(counts) for k in range(count)]
    return tuple(
        PlayedFrame(
            "masks.tif", index, None, index, f"LP{l}1", 180.0 * k / (max(l, 1) * count), 1.0, 0.5
        )
        for index, (l, k, count) in enumerate(listed)
    )
