"""Draws every view of a shipped log as text: `python -m tests.console.draw_snapshots` writes the files that the tests
hold the views against. Read what it wrote before you keep it.
"""

from __future__ import annotations

from pathlib import Path

from console.board_page import Picture, page
from console.controls import Controls, Duties, Scene
from console.paint import BLOCKS, Glyphs
from tests.console.replayed import replayed

FOLDER = Path(__file__).parent / "snapshots"
SIZES = ((80, 24), (120, 40), (200, 60))
LOG, AT_S = "too_low.parquet", 250.0


def draw(picture: Picture, scene: Scene, size: tuple[int, int], glyphs: Glyphs = BLOCKS) -> list[str]:
    """A scene as lines, blanks at their ends left out."""
    controls = Controls("Kim", Duties(replay=True), lambda: 0.0)
    controls.scene = scene
    if scene is Scene.LIST:
        controls.shows([row.item for row in picture.rows])
    return [line.plain.rstrip() for line in page(picture, controls, *size, glyphs).lines]


def snapshot_file(scene: Scene, size: tuple[int, int]) -> Path:
    """Where a scene's drawing is kept."""
    return FOLDER / f"{scene.value}-{size[0]}x{size[1]}.txt"


def main() -> None:
    """Write them all."""
    picture = replayed(LOG, AT_S)
    FOLDER.mkdir(exist_ok=True)
    for scene in Scene:
        for size in SIZES:
            text = "\n".join(draw(picture, scene, size)) + "\n"
            snapshot_file(scene, size).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
