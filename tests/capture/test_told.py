"""What a photo's record says of the shot, in the terminal's lines and on the report page."""

from __future__ import annotations

from capture.camera.told import shot_lines, shot_part

SOUND = {"leave_one_out": 0.0123, "leave_one_out_worst": "strip 3", "advice": []}
AT_PART = {"leave_one_out_at_part": 0.0312, "leave_one_out_at_part_worst": "strip 0"}
GLARE = {"advice": ["Glare on the strip 2 hides 9 of its 30 corners; turn the light, or shoot from elsewhere."]}


def test_health_and_advice_of_one_photo():
    (health,) = shot_lines(SOUND | AT_PART)
    assert health.startswith("target: each part of it is predicted by the rest to 0.012 mm (strip 3)")
    assert "without the strip 0, the part's shape changes by 0.031 mm" in health
    lines = shot_lines(SOUND | GLARE)
    assert lines[1].startswith("next shot: Glare on the strip 2")
    part = shot_part(SOUND | GLARE)
    assert part.head == () and [len(row) for row in part.rows] == [1, 1]


def test_several_photos_are_told_apart():
    by_photo = {"square": SOUND, "tilted": GLARE}
    assert [line.split(":")[0] for line in shot_lines(by_photo)] == ["target of square", "next shot of tilted"]
    assert [row[0] for row in shot_part(by_photo).rows] == ["square", "tilted"]


def test_advice_that_holds_for_several_photos_is_told_once():
    lines = shot_lines({"square": SOUND | GLARE, "tilted": GLARE})
    assert [line.split(":")[0] for line in lines] == ["target of square", "next shot of square, tilted"]


def test_nothing_to_say():
    assert shot_lines({}) == [] and shot_part({"a": {"advice": []}}) is None
