"""The first steps that stand on each kind of page: six short lines, read down the left column, then the right."""

__all__ = ["STEPS"]

STEPS: dict[str, tuple[str, ...]] = {
    "frame": (
        "Print at 100 % (actual size), never 'fit to page'.",
        "Fix it to something flat: glass, thick board, a true bench.",
        "Caliper over the pattern's outer sides, x and y: write down both.",
        "Lay the part flat in the blank middle; cover no square.",
        "Shoot from above, whole frame in view, main lens, no zoom.",
        "edgewright photo PHOTO -o OUT --print-x … --print-y … --height …",
    ),
    "strips": (
        "Print at 100 % (actual size), never 'fit to page'.",
        "Cut along the dashed lines: the white border must stay.",
        "Caliper over the lowest-numbered strip, x and y: write down both.",
        "Lay them flat on the bench, all round the part.",
        "Shoot from above, every strip whole, main lens, no zoom.",
        "Type both readings, and the height of the face, with the photo.",
    ),
    "sheet": (
        "Print at 100 % (actual size), never 'fit to page'.",
        "Glue it to glass or thick board: a bowed sheet spoils the lens.",
        "Caliper over the pattern's outer sides, x and y: they must agree.",
        "Take 8 to 15 photos: square-on, tilted every way, turned a quarter.",
        "Reach the corners of the picture; same lens, no zoom, sharp.",
        "edgewright camera PHOTO… -o camera.json",
    ),
    "stickers": (
        "Print at 100 % (actual size), never 'fit to page'.",
        "Check both bars with a caliper.",
        "Cut along the dashed lines: the white border must stay.",
        "Stick them flat on clean faces, no bubbles, none round a bend.",
        "Use each number only once in a scene.",
        "The measured point is the middle of the black square.",
    ),
}
