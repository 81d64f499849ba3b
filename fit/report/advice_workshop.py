"""What to do about a warning of the bend, rod, seal and clearance calculators, by its code."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from fit.report.advice import Advice

__all__ = ["WORKSHOP"]

WORKSHOP: Mapping[str, Advice] = MappingProxyType(
    {
        "template-left-out": Advice(
            "The part is so large that its full-size print would take more sheets than anyone joins without error.",
            "The sketch and the DXF hold the whole part.",
            "Ask for a larger paper, give the DXF to a cutter or plotter, or make a job with fewer features.",
        ),
        "cloud-u-unknown": Advice(
            "The uncertainty of the cloud is not known, so no ± can be stated for the gap.",
            "The file has no error columns and --cloud-u was not given.",
            "Give --cloud-u, or use the points.npz of a measurement.",
        ),
        "k-assumed": Advice(
            "K was typed without its ±, so a usual one is carried.",
            "The budget of the flat length shows K as its largest share.",
            "Bend a strip of the same sheet on the same tool and use it as coupon.",
        ),
        "coupon-differs": Advice(
            "The coupon was bent to another radius or sheet than this part, and K changes with both.",
            "The warning names both.",
            "Bend a coupon with this part's sheet, tool and radius.",
        ),
        "material-unknown": Advice(
            "The material was not given, so no smallest bend radius was checked.",
            "A bend that is too tight cracks on its outside.",
            "Give --material and --grain; try a coupon.",
        ),
        "width-assumed": Advice(
            "The width of the blank was not given; it is drawn with a usual one.",
            "The sketch is as wide as the warning says.",
            "Give --width before cutting.",
        ),
        "sharp-corner": Advice(
            "Past 90° the sharp corner lies outside the part, and cannot be reached with a rule.",
            "The sharp corner lies beyond the bend.",
            "Give over-all sizes with --legs-to tangent.",
        ),
        "min-radius": Advice(
            "The inside radius is smaller than a published least radius for this material.",
            "The outside of a bent strip shows cracks or orange peel.",
            "Use a larger radius, bend across the grain, or prove it on a coupon.",
        ),
        "min-radius-unknown": Advice(
            "No published least radius is known for this material and sheet.",
            "The outside of a bent strip shows cracks if it is too tight.",
            "Bend a coupon first and look at its outside.",
        ),
        "grain-unknown": Advice(
            "Which way the sheet was rolled is not known; along the grain it cracks earlier.",
            "Fine lines in the surface show the rolling direction.",
            "Give --grain, and lay bends across it where you can.",
        ),
        "leg-short": Advice(
            "The leg is too short to lie on both sides of the die.",
            "It slips into the die while bending.",
            "Make the leg longer and trim it after bending, or use a narrower die or a folder.",
        ),
        "hole-near-bend": Advice(
            "A hole or slot lies so near a bend that it is pulled out of round.",
            "It turns oval when bent.",
            "Move it, or drill it after bending.",
        ),
        "die-radius": Advice(
            "The radius is smaller than a rod of this diameter usually takes.",
            "The outside cracks, or the rod flattens in the bend.",
            "Use a larger die; try one bend on a scrap end.",
        ),
        "short-straight": Advice(
            "The straight between two bends is too short for the bender to grip.",
            "The grip would sit on the bend before.",
            "Make the straight longer, or bend with a follower that takes less.",
        ),
        "die-clash": Advice(
            "The bent rod would meet the die's body during this bend.",
            "Lay the rod on the die at that bend.",
            "Bend from the other end or in another order, or use a smaller die.",
        ),
        "rod-diameter": Advice(
            "The touches lie on a rod of another diameter than was given.",
            "Both diameters stand in the warning.",
            "Measure the rod and the tip with a caliper, and say whether points are tip centres.",
        ),
        "axes-skew": Advice(
            "Two runs that should meet pass each other: one is bowed or twisted, or a touch sits on a bend.",
            "Lay a straight edge on the run; sight along both.",
            "Touch nearer the middle of the run, away from the bends, and straighten a bowed run.",
        ),
        "end-missing": Advice(
            "An end was not touched, so nothing says how long its straight is.",
            "The first or last straight and the cut length are missing.",
            "Touch the end face four times and name the touches end_a or end_b.",
        ),
        "end-single": Advice(
            "An end was touched once only, so a slip there would not show.",
            "One touch stands for the end.",
            "Touch the end face four times.",
        ),
        "name-unknown": Advice(
            "Some points have names that say neither run, bend nor end.",
            "The warning lists them.",
            "Nothing needs doing if they do not belong to the rod; else rename them.",
        ),
        "edge-not-seal-line": Advice(
            "The rubber lies beside the edge and is longer or shorter than it.",
            "Both lengths stand in the warning.",
            "Cut to the seal's own line.",
        ),
        "corner-collapsed": Advice(
            "The seal's line lies further in than the corner's radius, so it has a sharp corner.",
            "The sketch shows a sharp corner in the moved line.",
            "Mitre and bond there, or use a moulded corner.",
        ),
        "bend-limit-unknown": Advice(
            "How tight this profile may be bent is not known.",
            "A seal bent too tight buckles or opens in the corner.",
            "Take the least radius from the profile's sheet, or bend a piece by hand around a round of that size.",
        ),
        "bend-too-tight": Advice(
            "The corner is tighter than the profile may be bent.",
            "A piece bent around it buckles or lifts.",
            "Mitre and bond, or use a moulded corner.",
        ),
        "joint-in-corner": Advice(
            "The two ends of the seal meet in a bend, where the joint opens.",
            "The warning says where the joint lies.",
            "Put the joint on a straight, at the bottom, with --joint.",
        ),
        "few-places": Advice(
            "The gap is known at few places only; between them it is guessed.",
            "The plot of the gap has few dots.",
            "Take it at more places, most of all at corners and hinges.",
        ),
        "gap-u-unknown": Advice(
            "How well the gap is known was not given, so the compression has no ±.",
            "Take the gap twice with fresh putty and compare.",
            "Give --gap-u.",
        ),
        "free-height-unknown": Advice(
            "The seal's free height was not given, so nothing can be said about compression.",
            "Measure a loose piece.",
            "Give --free.",
        ),
        "seal-loose": Advice(
            "The gap is wider than this seal fills well: water and dust get in.",
            "A strip of paper pulls out easily with the lid shut.",
            "Use a taller seal, or pack or adjust the lid there.",
        ),
        "seal-tight": Advice(
            "The gap is narrower than this seal may be pressed: the lid springs, the rubber wears and sets.",
            "The lid needs force to shut.",
            "Use a lower or softer seal, or adjust the lid there. Never force the latch.",
        ),
        "squeeze-not-proven": Advice(
            "The ± of the compression reaches over a limit of its range.",
            "The places stand in the table of the seal.",
            "Measure the gap there again, with fresh putty.",
        ),
        "coarse-cloud": Advice(
            "The points lie so far apart that surfaces between them may come nearer than the points do.",
            "The spacing stands in the warning.",
            "Use a denser cloud where the parts come near, or leave that much more room.",
        ),
        "crossing-unknown": Advice(
            "The points come nearer than they lie apart: whether the surfaces touch cannot be told without "
            "their directions.",
            "The closest places are marked in the picture.",
            "Use a cloud with surface directions, or a denser one, and look at the place on the car.",
        ),
        "parts-cross": Advice(
            "The parts pass into each other somewhere in the motion.",
            "The plot says how deep and where; the gap between points stays above zero even then.",
            "Do not force the motion. Check that both parts stand in the same axes, then move or trim one.",
        ),
    }
)
