"""What to do about a warning of a measurement, by its code."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from fit.report.advice import Advice

__all__ = ["MEASURING"]

MEASURING: Mapping[str, Advice] = MappingProxyType(
    {
        "outside-target": Advice(
            "The feature lies outside the area that the printed target covers, where small errors grow fast.",
            "Look at the marked photo: the feature is beyond the outermost printed corners.",
            "Move the target or add strips so that they surround the feature, and shoot again.",
        ),
        "ends-short": Advice(
            "Beyond this end no edge stood out well enough, or another one was followed, so the length stops here.",
            "Look at the marked photo: the dots end before the edge does.",
            "Put way-points closer together and on the edge, mark the rest by itself, or shoot in other light.",
        ),
        "height-unknown": Advice(
            "How high the face lies above the target was not given: at 800 mm, 3 mm nearer looks 0.4 % larger.",
            "Lay a straight edge on the face and measure down to the print.",
            "Give --height (and --height-u), or bring the target up to the face.",
        ),
        "thickness-unknown": Advice(
            "How thick the sheet is was not given, so the rim seen in a hole may be the lower one.",
            "In the marked photo a hole shows two rims when seen from the side.",
            "Give --thickness, or shoot square from above.",
        ),
        "gap": Advice(
            "Part of the edge was not seen or touched, and was bridged.",
            "The marked photo or the picture of the points shows the gap.",
            "If the edge bends or steps there, measure it again with that part in view.",
        ),
        "short-arc": Advice(
            "Only a small part of the circle is seen, so many radii fit nearly as well.",
            "The ± of the radius is large, and the arc spans only a few tens of degrees.",
            "Mark or touch more of the curve, or check it with a radius gauge.",
        ),
        "two-edges": Advice(
            "Two edges run close together here: metal and its shadow, wall or far rim, a glare line or a paint step.",
            "Look at the enlarged edge in the marked photo.",
            "Change the light, shoot squarer, or say which edge is meant; then measure again.",
        ),
        "stray-stretch": Advice(
            "Over part of its length the search ran along another edge beside this one: print, shadow or wall.",
            "Look at the enlarged edge in the marked photo: the dots end where the other edge begins.",
            "Put both way-points nearer the edge, or plain paper behind it.",
        ),
        "bent-edge": Advice(
            "What was marked as one straight edge is a curve, or runs round a corner.",
            "In the marked photo its dots leave the straight line between the ends.",
            "Mark it as an arc or a path, or put both way-points on its straight part.",
        ),
        "low-contrast": Advice(
            "The part and what lies behind it are nearly equally bright at this edge.",
            "In the marked photo the edge can hardly be told from its ground.",
            "Put white or black paper behind the part, dust the edge with chalk, or light it from the side.",
        ),
        "print-unknown": Advice(
            "No caliper reading of the printed pattern was given; printers are off by some tenths of a percent.",
            "Hold a caliper over the pattern's outer sides and compare with what the sheet says.",
            "Give --print-x and --print-y; the ± of every size shrinks at once.",
        ),
        "print-corrected": Advice(
            "The print is not at 100 %. All sizes were corrected with the caliper readings.",
            "The readings differ from the nominal sides printed on the sheet.",
            "Nothing needs doing if the readings are right; else print at 100 % and read both sides again.",
        ),
        "print-doubt": Advice(
            "The two caliper readings of the print do not fit the photo: one of them is misread, or typed wrong.",
            "Their ratio differs from the ratio of the printed squares in the photo.",
            "Read both sides over the printed pattern's outer edges again, and correct --print-x or --print-y.",
        ),
        "target-bent": Advice(
            "The printed target does not lie flat.",
            "Lay a straight edge over the sheet, or look along it.",
            "Fix it to something flat, such as glass or a straight board, and shoot again.",
        ),
        "stray-touch": Advice(
            "One or more touches lie far from the shape that all others agree on, and were left out.",
            "The residual plot shows them as crosses.",
            "Check whether the tip slipped or the wrong place was touched; touch again if the rest is few.",
        ),
        "tip-side": Advice(
            "It is not certain on which side of the surface the tip stood, so its radius may be added the wrong way.",
            "Compare one size with a caliper: it is wrong by a whole tip diameter if the side is wrong.",
            "Give --side, record directions i j k, or touch a ball or block of known size.",
        ),
        "base-moved": Advice(
            "The arm's base or the part moved while measuring: the closing points do not repeat the first ones.",
            "Closing touches differ from their first touches by more than the arm's own scatter.",
            "Clamp the base and the part, and measure the points after the move again.",
        ),
        "undecided": Advice(
            "The data cannot tell between two answers.",
            "Both candidates are named in the warning, with how well each fits.",
            "Add points where the two differ most, or say which one is meant.",
        ),
        "not-planar": Advice(
            "The points do not lie in one plane as closely as their noise allows.",
            "The plane's flatness is larger than the scatter of its points.",
            "Check for burrs and stray touches, or measure the faces one by one.",
        ),
        "unit-assumed": Advice(
            "The file does not say its unit; mm was taken.",
            "Compare one known length with the result: inches are off by 25.4.",
            "Give --unit, or write the unit into the file.",
        ),
        "unit-doubt": Advice(
            "The list's numbers make sense in another unit than it was read in: all sizes may be off by 25.4.",
            "Compare one known length, such as a ball's diameter, with the result.",
            "Give --unit as the numbers are, or mend the unit in the file, and run again.",
        ),
        "photos-disagree": Advice(
            "The photos give this size differently, by more than each photo's own ± allows.",
            "The sizes of the single photos stand in the warning; the pictures of the picks show where each saw "
            "the edge.",
            "Look for a photo with glare, blur or a moved part, take it out or shoot it again. The ± is widened "
            "until then.",
        ),
        "other-lens": Advice(
            "The printed corners do not lie where the learned lens shows them, but fit well without it.",
            "The record's leave-one-out error is several times that of a sound photo.",
            "Give the photo as the camera wrote it, learn the lens anew, or measure without camera.json.",
        ),
        "photo-outlier": Advice(
            "One photo disagrees strongly with all others and was left out.",
            "The picture of that photo's picks shows an edge other than the one meant, or a blurred one.",
            "Shoot that view again, or mark its edge closer.",
        ),
        "places-differ": Advice(
            "The photos agree in size but not in where the feature lies: the part or the print moved between them.",
            "Places of the same hole differ from photo to photo.",
            "Fix the part to the print, and take all photos without touching either.",
        ),
        "different-photos": Advice(
            "The two ends of this size were measured in different photos.",
            "The warning names the size; each end names its photo.",
            "Take it from one photo that shows both, or be sure that the part did not move on the print.",
        ),
        "frames-apart": Advice(
            "The sources have axes of their own, so their points cannot lie in one cloud.",
            "Parts of the cloud would stand apart from each other.",
            "Tie the lists by balls, or measure everything in one photo, where one cloud is needed.",
        ),
        "not-measured": Advice(
            "This feature could not be found or fitted.",
            "The warning says what was missing.",
            "Do what the warning says; all other features stand.",
        ),
        "source-left-out": Advice(
            "A photo or list of the job could not be used; everything else was measured.",
            "The warning names it and says why.",
            "Do what the warning says, and run the job again: what is done already is kept.",
        ),
        "dimension-left-out": Advice(
            "The size needs a feature that was not measured, or makes no sense between these two.",
            "The warning names what is missing.",
            "Measure the missing feature, or correct the names in the job.",
        ),
        "line-ends": Advice(
            "A marked or touched line or path is known sideways to its ±, but where the edge ends is not looked for.",
            "In the picture it stops short of the corners, or runs round one.",
            "Measure the distance between the edges or holes at both ends, or mark the very ends.",
        ),
        "out-of-tolerance": Advice(
            "The size lies outside its limits by more than its ±.",
            "The table of sizes shows the size and its limits.",
            "Measure once more to be sure, then rework the part or ask whether the limits can be widened.",
        ),
        "not-accurate-enough": Advice(
            "The ± is large against the tolerance, so many good parts cannot be proven good.",
            "The ± should be no more than a quarter of the tolerance, half of it at most (common practice).",
            "Make the largest share of the ± smaller; the table of sizes says how.",
        ),
        "check-agrees": Advice(
            "A size was checked with a caliper, and both agree within their ±.",
            "Both figures stand in the warning.",
            "Nothing needs doing.",
        ),
        "check-disagrees": Advice(
            "The caliper and the measurement disagree by more than both ± allow.",
            "Both figures stand in the warning.",
            "Read the caliper again, then the print's sides, the height of the face and the tip's diameter: one "
            "of them is wrong.",
        ),
        "kind-chosen": Advice(
            "Nobody said what shape these are; it was chosen by name and by how well each shape fits.",
            "The warning lists every choice.",
            "Nothing needs doing if the choices are right; else say --fit NAME=KIND.",
        ),
        "poor-fit": Advice(
            "The touches lie off this shape by more than the arm's scatter: it is out of shape, or another shape.",
            "The residual plot shows a wave or a step.",
            "Clean off burrs and paint and touch again, or say another kind with --fit.",
        ),
        "names-alike": Advice(
            "Some feature names differ in capitals or blanks alone and were taken as one.",
            "The warning lists them.",
            "Nothing needs doing if they are the same feature; else give it a name of its own.",
        ),
        "touch-scatter": Advice(
            "The touches scatter more than an arm at rest does.",
            "The report gives the scatter of one touch.",
            "Check the unit first; then tighten the tip, clamp the part and the arm's base, and touch again.",
        ),
        "ties-disagree": Advice(
            "Seen from two places of the arm, the ties lie apart by more than the scatter of their touches.",
            "The table of stations gives each tie's error; chance alone does this in one job out of twenty.",
            "Nothing needs doing if the ± is small enough. Else clamp the ties and the arm's base and touch them again; "
            "if it comes back, have the arm checked.",
        ),
        "exact-touches": Advice(
            "The ± comes from how touches scatter about their shape; points that were computed or typed do not scatter.",
            "The residuals are all but nothing, where an arm's are some hundredths of a millimetre.",
            "Give the list as the arm recorded it, with all its decimals, and more touches than a shape needs.",
        ),
        "points-assumed": Advice(
            "Nobody said whether the list holds tip centres or surface points; surface points were taken.",
            "A hole is too small, or a peg too large, by a whole tip diameter if that is wrong.",
            "Give --points centre with --tip, or --points surface.",
        ),
        "plane-assumed": Advice(
            "No face was given for this path, so it lies in the plane of its own points, seen from above.",
            "The warning gives the side it is seen from; a path seen from the other side turns the other way.",
            "Nothing needs doing if that is your side of the part; else touch the face too and give it with --plane.",
        ),
        "tip-qualified": Advice(
            "The tip's diameter was worked out from touches on a known ball.",
            "Compare it with what is written on the tip.",
            "Nothing needs doing if they agree to some hundredths.",
        ),
        "base-steady": Advice(
            "The closing points repeat the first ones: base and part stood still.",
            "The largest difference stands in the warning.",
            "Nothing needs doing.",
        ),
        "repeated-rows": Advice(
            "Rows stand in the list twice, digit for digit: an export wrote them again.",
            "The warning names their lines.",
            "Nothing needs doing: they count once.",
        ),
        "hook": Advice(
            "The walk has a hook at an end: the tip was set down or lifted off while it was recording.",
            "The picture of the points shows it at the end.",
            "Nothing needs doing; start and stop recording while the tip rests on the edge.",
        ),
        "rested": Advice(
            "The tip stood still on the edge while recording.",
            "Many touches lie at one place.",
            "Nothing needs doing: they count once.",
        ),
        "back-tracked": Advice(
            "The walk went back over itself.",
            "The order of the points jumps there.",
            "Nothing needs doing if the picture looks right; else walk the edge again in one go.",
        ),
        "rough-edge": Advice(
            "The edge is not quite made of lines and arcs: it is dented, burred or a free curve.",
            "The residual plot shows a wave larger than the scatter.",
            "Deburr and walk again; for a free curve cut to the 1:1 template and try it on first.",
        ),
        "condition-rejected": Advice(
            "The points do not agree with what was asked for, such as equal radii or a given radius.",
            "Fit it once without the condition and compare the radii.",
            "Drop the condition, or find out which piece differs.",
        ),
        "arc-collapsed": Advice(
            "The line was moved by more than the radius of a bend, so that bend is gone.",
            "The moved line has a sharp corner there.",
            "Use a smaller offset, or make that corner as a mitre.",
        ),
        "corner-rounded": Advice(
            "Moving the line outwards around a sharp corner turns it into an arc.",
            "The moved line is round there, with the offset as its radius.",
            "Nothing needs doing; say so to whoever cuts, if a sharp corner is wanted.",
        ),
        "axes-differ": Advice(
            "The two parts may stand in different axes, so their gap may mean nothing.",
            "Parts that belong together lie far apart or inside each other.",
            "Measure both in one set-up, tie them by balls, or use one datum for both.",
        ),
    }
)
