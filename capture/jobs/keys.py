"""The keys of a job file, their meaning and their types; the shipped JSON Schema is made from these."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PlainValidator, WithJsonSchema  # noqa: TID253 - see read.py

from fit.errors import InputError
from fit.units import Length, parse_length

__all__ = ["Camera", "Datum", "DimensionKeys", "FeatureKeys", "Head", "Job", "PhotoKeys", "ProbeKeys"]

PHOTO_KINDS = ("line", "arc", "circle", "slot", "path")
PROBE_KINDS = ("line", "arc", "circle", "slot", "path", "plane", "cylinder", "cone", "sphere")
MADE_KINDS = ("offset", "symmetry")

_MOST_MM = 1e6
_TEXT_OR_NUMBER = {"anyOf": [{"type": "number"}, {"type": "string"}]}


def _length(value: object) -> Length:
    """A number of mm, or a text such as '13/16' or '1.5±2'."""
    if isinstance(value, bool) or not isinstance(value, (int, float, str, Length)):
        message = "must be a length: a number of mm, or a text such as '1 3/8\"'"
        raise ValueError(message)
    try:
        length = parse_length(value) if isinstance(value, str) else value
    except InputError as error:
        raise ValueError(str(error)) from error
    length = length if isinstance(length, Length) else Length(float(length))
    if not (abs(length.value) < _MOST_MM and abs(length.limit or 0.0) < _MOST_MM):
        message = f"must be a length below {_MOST_MM:.0f} mm"
        raise ValueError(message)
    return length


def _mm(value: object) -> float:
    """A length without ±, mm."""
    length = _length(value)
    if length.limit is not None:
        message = "must be a length without ±"
        raise ValueError(message)
    return length.value


def _above_zero(value: object) -> float:
    mm = _mm(value)
    if not mm > 0:
        message = f"must be above 0 mm; got {mm:g}"
        raise ValueError(message)
    return mm


def _texts(value: object) -> tuple[str, ...]:
    """One text or a list of them."""
    items = value if isinstance(value, (list, tuple)) else [value]
    if not items or not all(isinstance(item, str) and item for item in items):
        message = "must be a text or a list of texts"
        raise ValueError(message)
    return tuple(items)


def _limits(value: object) -> tuple[float, float]:
    if not _is_pair(value):
        message = "must be [least, most]"
        raise ValueError(message)
    return float(value[0]), float(value[1])  # type: ignore[index]


def _heights(value: object) -> tuple[tuple[float, float, float], ...]:
    if not isinstance(value, list) or len(value) != 3 or not all(_is_row(row) for row in value):
        message = "must be three places with their heights, [[x, y, height], [x, y, height], [x, y, height]]"
        raise ValueError(message)
    return tuple((float(x), float(y), float(z)) for x, y, z in value)


def _is_row(row: object) -> bool:
    return isinstance(row, list) and len(row) == 3 and all(_is_number(v) for v in row)


def _near(value: object) -> dict[str, tuple[tuple[float, float], ...]]:
    """Way-points by photo; '' for those that hold in every photo."""
    if isinstance(value, dict):
        return {str(photo): _way_points(points) for photo, points in value.items()}
    return {"": _way_points(value)}


def _way_points(value: object) -> tuple[tuple[float, float], ...]:
    points = [value] if _is_pair(value) else value
    if not isinstance(points, list) or not points or not all(_is_pair(point) for point in points):
        message = "must be way-points [[x, y], [x, y], …] in mm, or one [x, y]"
        raise ValueError(message)
    return tuple((float(x), float(y)) for x, y in points)


def _is_pair(value: object) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(_is_number(v) for v in value)


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < _MOST_MM


def _direction(value: object) -> float | str:
    if value in ("x", "y", "z") or (_is_number(value) and value == value):
        return value  # type: ignore[return-value]
    message = "must be 'x', 'y' or 'z', or an angle in degrees from x towards y"
    raise ValueError(message)


_PAIR_SCHEMA = {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}
_NEAR_SCHEMA = {
    "anyOf": [
        _PAIR_SCHEMA,
        {"type": "array", "items": _PAIR_SCHEMA, "minItems": 1},
        {"type": "object", "additionalProperties": {"type": "array", "items": _PAIR_SCHEMA}},
    ]
}
_TEXTS_SCHEMA = {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}]}

Limited = Annotated[Length, PlainValidator(_length), WithJsonSchema(_TEXT_OR_NUMBER)]
Mm = Annotated[float, PlainValidator(_mm), WithJsonSchema(_TEXT_OR_NUMBER)]
Size = Annotated[float, PlainValidator(_above_zero), WithJsonSchema(_TEXT_OR_NUMBER)]
Texts = Annotated[tuple[str, ...], PlainValidator(_texts), WithJsonSchema(_TEXTS_SCHEMA)]
Near = Annotated[dict[str, tuple[tuple[float, float], ...]], PlainValidator(_near), WithJsonSchema(_NEAR_SCHEMA)]
Name = Annotated[str, Field(min_length=1, max_length=120, pattern=r"^[^\r\n]*$")]
File = Annotated[str, Field(min_length=1)]
_ROW_SCHEMA = {"type": "array", "items": {"type": "number"}, "minItems": 3, "maxItems": 3}
_HEIGHTS_SCHEMA = {"type": "array", "items": _ROW_SCHEMA, "minItems": 3, "maxItems": 3}
Heights = Annotated[tuple[tuple[float, float, float], ...], PlainValidator(_heights), WithJsonSchema(_HEIGHTS_SCHEMA)]
Limits = Annotated[tuple[float, float], PlainValidator(_limits), WithJsonSchema(_PAIR_SCHEMA)]
_DIRECTION_SCHEMA = {"anyOf": [{"type": "number"}, {"type": "string", "enum": ["x", "y", "z"]}]}
Direction = Annotated[float | str, PlainValidator(_direction), WithJsonSchema(_DIRECTION_SCHEMA)]
Class = Literal["f", "m", "c", "v"]


class _Keys(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=False)


class Head(_Keys):
    """What the part is called, and how people read its sizes."""

    name: str = Field("", description="Name of the part, for the title block.")
    side: str = Field("", description="Left or right, for the title block.")
    face: str = Field("", description="Which face is up, for the title block.")
    front: str = Field("", description="Where the vehicle's front is on the drawing: right, left, up, down.")
    material: str = Field("", description="Material and thickness, for the title block.")
    creator: str = Field("", description="Who measured.")
    date: str = Field("", description="Date on the drawing; the day of the run where left out.")
    number: str = Field("", description="Drawing number.")
    unit: Literal["mm", "inch"] | None = Field(None, description="Unit of point lists that do not say their own.")
    unit_out: Literal["mm", "inch", "fraction"] = Field("mm", description="Unit of what people read; files stay in mm.")
    paper: Literal["a4", "letter", "a3"] = Field("a4", description="Paper of sketch and template.")
    general_tolerance: Class | None = Field(
        None, description="Class of ISO 2768-1 that holds for dimensions without a tolerance of their own."
    )


class Camera(_Keys):
    """The lens of all photos that do not name their own."""

    file: File = Field(description="camera.json learned by 'edgewright camera'.")


class PhotoKeys(_Keys):
    """One photo of the part with a printed frame or strips in it."""

    name: Name | None = Field(None, description="How features refer to it; the file's name without ending if left out.")
    file: File = Field(description="The picture.")
    camera: File | None = Field(None, description="camera.json of this photo, where it is not that of [camera].")
    height: Limited | None = Field(None, description="Height of the part's face above the print, mm; ± is a limit.")
    height_u: Size | None = Field(None, description="Standard uncertainty of the height, mm; 0.05 if left out.")
    heights: Heights | None = Field(None, description="Of a tilted face: three places [x, y, height], mm.")
    thickness: Size | None = Field(None, description="Thickness of the sheet, mm; the height is taken up to 6 mm.")
    print_x: Size | None = Field(None, description="Caliper reading over the printed pattern's side in x, mm.")
    print_y: Size | None = Field(None, description="Caliper reading over the printed pattern's side in y, mm.")
    print_u: Size = Field(0.02, description="Standard uncertainty of the readings, mm.")


class ProbeKeys(_Keys):
    """Point lists of an arm; several files are stations of one arm tied by features touched from all of them."""

    name: Name | None = Field(None, description="How features refer to it; the file's name without ending if left out.")
    file: Texts = Field(description="The list, or the lists of several stations; the first is the frame.")
    unit: Literal["mm", "inch"] | None = Field(None, description="Unit of a list that does not say its own.")
    tip: Size | None = Field(None, description="Tip diameter, mm.")
    tip_u: Size = Field(0.003, description="Standard uncertainty of the tip's diameter, mm.")
    points: Literal["centre", "surface"] | None = Field(None, description="What the list holds.")
    side: Literal["left", "right", "in", "out"] | None = Field(None, description="Side of the tip where i j k lack.")
    tie: Texts = Field((), description="Features (patterns) that tie several lists together.")
    closing: Texts = Field((), description="Points touched at the start and again at the end (patterns).")
    tip_ball: Name | None = Field(None, description="NAME or NAME=MM of a ball from whose touches the tip is found.")


class Datum(_Keys):
    """The axes that everything is told in: three datum features, two holes, or an edge and a corner."""

    primary: Name | None = Field(
        None, description="Plane, cylinder or cone that gives z; the face of a photo if left out."
    )
    secondary: Name | None = Field(None, description="Line or plane that gives x, or hole that gives the origin.")
    tertiary: Name | None = Field(None, description="What fixes x = 0, or after a hole the direction of x.")
    holes: Texts | None = Field(None, description="Two holes: origin in the first, x towards the second.")
    edge: Name | None = Field(None, description="Straight edge: x runs along it, y = 0 on it.")
    corner: Name | None = Field(None, description="Edge that meets the first, or hole: x = 0 there.")


class FeatureKeys(_Keys):
    """One feature and where its points come from."""

    name: Name = Field(description="How dimensions refer to it.")
    kind: Literal[(*PROBE_KINDS, *MADE_KINDS)] = Field(description="What shape it is.")  # type: ignore[valid-type]
    photo: Texts | None = Field(None, description="Photo by name; several are measured apart and averaged.")
    probe: Name | None = Field(None, description="Probe by name.")
    near: Near | None = Field(
        None, description="Way-points along the edge, or one point in a hole, mm in the photo's axes."
    )
    about: Size | None = Field(None, description="Rough diameter of a hole or width of a slot, mm.")
    edge: Literal["clearest", "metal", "open"] = Field(
        "clearest", description="Of two close edges: the clearest, the one on the metal's side or on the open side."
    )
    metal: Literal["left", "right", "in", "out"] | None = Field(
        None,
        description="Side of the edge on which metal lies: left or right along the way-points, in or out of a closed "
        "path; found by itself if left out.",
    )
    height: Limited | None = Field(None, description="Height of this feature's face, where it is not the photo's.")
    height_u: Size | None = Field(None, description="Standard uncertainty of that height, mm.")
    heights: Heights | None = Field(None, description="Of a tilted face: three places [x, y, height], mm.")
    thickness: Size | None = Field(None, description="Thickness of the sheet here, mm.")
    closed: bool = Field(False, description="Whether the path's last point is followed by its first.")
    touches: Name | None = Field(None, description="Name of the touches in the list, where it is not the feature's.")
    on: Name | None = Field(None, description="Plane that it lies in: a touched plane, or for a path a probe.")
    of: Texts | None = Field(None, description="Features that it is made from.")
    offset: Size | None = Field(None, description="How far a path is moved aside, mm.")
    side: Literal["left", "right", "in", "out"] | None = Field(None, description="Side to which it is moved.")
    layer: Literal["cut", "mark", "reference"] | None = Field(
        None,
        description="Layer of a moved path. On cut or mark it takes the place of what it was moved from, on reference "
        "it is drawn beside it; if left out, cut for a closed path and reference for an open one.",
    )


class DimensionKeys(_Keys):
    """One size, with what it should be."""

    name: Name | None = Field(None, description="Its name; made from kind and features if left out.")
    kind: Literal[
        "distance", "angle", "diameter", "radius", "length", "width", "pitch_circle", "over_all", "offset"
    ] = Field(description="What is measured.")
    first: Name | None = Field(
        None, alias="from", description="First of two features; 'outline.3' is piece 3 of a path."
    )
    to: Name | None = Field(None, description="Second of two features.")
    of: Texts | None = Field(None, description="The feature, or the features of a pitch circle or an over-all size.")
    direction: Direction | None = Field(
        None, description="Direction of an over-all size: an axis, or degrees from x towards y."
    )
    nominal: Mm | None = Field(None, description="What it should be, mm; degrees for an angle.")
    tolerance: Size | None = Field(None, description="± about nominal, mm; degrees for an angle.")
    limits: Limits | None = Field(None, description="Least and most, mm; degrees for an angle.")
    general_tolerance: Class | None = Field(None, description="Class of ISO 2768-1 for this dimension's tolerance.")
    check: Size | None = Field(None, description="The same length as a caliper reads it on the part, mm.")
    check_u: Size = Field(0.02, description="Standard uncertainty of that reading, mm.")


class Job(_Keys):
    """A whole job file."""

    job: Head = Head()
    camera: Camera | None = None
    photo: list[PhotoKeys] = Field(default_factory=list)
    probe: list[ProbeKeys] = Field(default_factory=list)
    datum: Datum | None = None
    feature: list[FeatureKeys] = Field(default_factory=list)
    dimension: list[DimensionKeys] = Field(default_factory=list)
    bend: dict[str, Any] | None = Field(None, description="Flat blank; keys as the options of 'edgewright bend'.")
    rod: dict[str, Any] | None = Field(None, description="Bending schedule; keys as the options of 'edgewright rod'.")
    seal: dict[str, Any] | None = Field(None, description="Rubber seal; keys as the options of 'edgewright seal'.")
    clear: dict[str, Any] | None = Field(None, description="Smallest gap; keys as the options of 'edgewright clear'.")
