"""Write the blank drawings of `fit/drawing` anew with ezdxf: python tests/fit/drawing/blank_dxf.py"""

from __future__ import annotations

import io
from pathlib import Path

import ezdxf
from ezdxf._options import options
from ezdxf.document import Drawing

from fit.drawing.model import LAYERS

VERSIONS = ("R2010", "R12")
COLOURS = {"cut": 7, "bend": 5, "mark": 3, "reference": 8, "check": 1}
MADE_BY = "1.4.5"
"""Version of ezdxf that wrote the stored ones; others may order or add tables."""


def blank(version: str) -> str:
    """A drawing with our layers and nothing on them, in mm; the same bytes every time."""
    options.write_fixed_meta_data_for_testing = True
    document = Drawing.new(version)  # ezdxf.new would warn that R12 has no unit in its header
    document.header["$MEASUREMENT"] = 1
    if version != "R12":
        document.header["$INSUNITS"] = 4
        document.header["$LUNITS"] = 2
    document.linetypes.add("BENDLINE", [7.625, 6.0, -0.75, 0.125, -0.75], description="long dash, dot")
    for layer in LAYERS:
        document.layers.add(layer, color=COLOURS[layer], linetype="BENDLINE" if layer == "bend" else "Continuous")
    for name in sorted(document.entitydb.dxf_types_in_use()):
        document.classes.add_class(name)  # else ezdxf adds them in the order of a set
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue()


def stored(version: str) -> Path:
    return Path(__file__).parents[3] / "fit" / "drawing" / f"blank_{version.lower()}.dxf"


if __name__ == "__main__":
    for each in VERSIONS:
        stored(each).write_text(blank(each))
    print(f"written by ezdxf {ezdxf.__version__}; set MADE_BY to it")
