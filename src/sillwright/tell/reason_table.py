"""The table of reason codes: for each, what it means and what to do about it, as templates.

``sillwright.tell.reasons`` fills them in. For ``not-joined`` the first photo of a finding is the one spoken of, and
the others are those it should join.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Subject = Literal["photo", "run", "card", "bolt", "corner"]


@dataclass(frozen=True)
class Reason:
    """One code. ``says`` and ``do`` are templates: ``{cards|the card}`` is what the finding names, or the fallback;
    ``{cards?is/are}`` is the first word for up to one card, else the second.

    ``value`` is what the finding's ``value_mm`` means under this code; empty where it means nothing.
    """

    subject: Subject
    code: str
    title: str
    says: str
    do: str
    value: str = ""


# What can be said of a bolt, the worst first: whether it is a bolt at all, where it stands, how sure the number is.
DECIDING = (
    "off-wall",
    "weak-evidence",
    "views-disagree",
    "scale-wrong",
    "scale-conflict",
    "scale-unverified",
    "base-hidden",
    "bent",
    "diameter-off",
    "wide-interval",
    "near-edge-of-photo",
)
BESIDE = ("one-view", "stated-stickup", "has-nut")  # these alone leave a bolt ok

REASONS: tuple[Reason, ...] = (
    Reason(
        "photo",
        "no-cards",
        "No card found",
        "No card could be read in {photos|this photo}",
        "shoot it again with two cards whole in view, sharp and without glare",
    ),
    Reason(
        "photo",
        "few-corners",
        "Too little of the cards read",
        "Too little of {cards|the cards} could be read in {photos|this photo} to place the camera",
        "wipe the cards clean and shoot it again with two of them whole in view",
    ),
    Reason(
        "photo",
        "no-chalk-line",
        "No chalk line in the photo",
        "No chalk line was found in {photos|this photo}",
        "shoot it again with the line running through the picture, and snap it again where it is faint",
    ),
    Reason(
        "photo",
        "blurred",
        "Blurred",
        "{photos|This photo} came out blurred",
        "hold still, tap to focus on the concrete, and shoot it again",
    ),
    Reason(
        "photo",
        "too-dark",
        "Too dark",
        "{photos|This photo} came out too dark to read",
        "shoot it again in better light, with your shadow off the wall",
    ),
    Reason(
        "photo",
        "too-bright",
        "Too bright",
        "{photos|This photo} came out too bright, with the whites run together",
        "tap on a white card to set the exposure, shade it if you can, and shoot it again",
    ),
    Reason(
        "photo",
        "unreadable",
        "File cannot be read",
        "The file of {photos|this photo} cannot be opened as a picture",
        "copy it from the phone again, or shoot it again",
    ),
    Reason(
        "photo",
        "not-joined",
        "Shares no card with the rest",
        "{first|This photo} shares no card with {rest|the rest of the run}",
        "shoot one more between them, with a card of each in view",
    ),
    Reason(
        "photo",
        "poor-fit",
        "Does not fit the other photos",
        "What {photos|this photo} {photos?shows/show} does not fit the rest of the run{out|}",
        "check that no card was moved or lifted between photos, then shoot it again",
        "how far the photo is out",
    ),
    Reason(
        "photo",
        "other-run",
        "Shows another run",
        "{photos|This photo} {photos?shows/show} only {cards|cards} that the job file does not give to this run",
        "correct the card numbers in the job file, or list {photos?it/them} under the run those cards lie on",
    ),
    Reason(
        "photo",
        "duplicate",
        "The same photo twice",
        "{photos|This photo} {photos?is the same file as another/are one and the same file}, used only once",
        "nothing to do, unless a different photo was meant",
    ),
    Reason(
        "photo",
        "lens-unknown",
        "Lens not calibrated",
        "No lens profile fits the phone that took {photos|this photo}, so the numbers carry wider ± figures",
        "photograph the calibration sheet with this phone and run calibrate",
    ),
    Reason(
        "photo",
        "zoomed",
        "Not the lens of the profile",
        "{photos|This photo} {photos?was/were} zoomed, cropped or taken with another lens or phone than the profile is "
        "of, so the profile is not used and the numbers carry wider ± figures",
        "name the profile of this phone in the job file, or shoot it again at 1x and do not crop",
    ),
    Reason(
        "photo",
        "mirrored",
        "Mirror image",
        "{photos|This photo} {photos?is a mirror image/are mirror images}",
        "use the back camera and turn off any mirror setting, then shoot it again",
    ),
    Reason(
        "photo",
        "lens-mismatch",
        "Lens profile does not fit",
        "The lens profile does not fit {photos|this photo}",
        "make sure the profile is from this phone and this lens, or calibrate it again",
    ),
    Reason(
        "photo",
        "turned-unsure",
        "May have been turned",
        "It does not show which way up a program stored {photos|this photo}, so the numbers carry wider ± figures",
        "copy the photo straight from the phone, not through a program that turns or shrinks it",
    ),
    Reason(
        "run",
        "misfit",
        "Photos do not fit together",
        "What {photos|some photos} {photos?shows/show} does not fit the rest of the run",
        "check that every card lies flat and was not moved between photos, and that the chalk line is one straight "
        "snap, then shoot the run again",
    ),
    Reason(
        "run",
        "cards-raised",
        "Cards seem to lie on something",
        "The bolts leave the concrete lower than {cards|the cards} say it is",
        "measure what lies under the cards, write it as thickness under [cards] in the job file, and measure again",
    ),
    Reason(
        "run",
        "not-joined",
        "Photos do not join up",
        "{first|One group of photos} shares no card with {rest|the rest of the run}",
        "shoot one more between them, with a card of each in view",
    ),
    Reason(
        "run",
        "no-cards",
        "No scale card seen",
        "No photo of this run shows {cards|a scale card}",
        "lay the printed cards flat on the wall, name their numbers in the job file and shoot the run again",
    ),
    Reason(
        "run",
        "no-chalk-line",
        "No chalk line on this run",
        "No chalk line was found in {photos|any photo of this run}, so there is nothing to measure setbacks from",
        "snap the line again and shoot the run with the line in every picture",
    ),
    Reason(
        "run",
        "two-chalk-lines",
        "Two chalk lines",
        "Two snapped lines were found, {length|a little} apart, and the one used here may be the wrong one",
        "look at the picture, rub out the wrong snap and shoot the run again",
        "distance between the two lines",
    ),
    Reason(
        "run",
        "not-settled",
        "Photos do not settle",
        "The photos and cards of this run do not settle on one answer",
        "check that every card lies flat and was not moved between photos, then shoot the run again",
    ),
    Reason(
        "run",
        "scale-unverified",
        "Print scale not checked",
        "Nothing shows that the cards were printed true to size",
        "tape between the two check ticks on a printed card and write it in the job file as check_length",
    ),
    Reason(
        "run",
        "scale-not-taped",
        "No taped length on the run",
        "Stations are good only to a few parts in 1000, because no length on the wall was taped",
        "tape between the zero marks of {cards|the first and the last card} and write it in the job file",
    ),
    Reason(
        "run",
        "scale-wrong",
        "Bolts come out the wrong size",
        "The bolts come out {length|plainly} off their stated diameter, so the cards' size or the bolt size is wrong",
        "tape between the check ticks of a card and check the bolt size in the job file before trusting any number",
        "measured bolt diameter less stated",
    ),
    Reason(
        "run",
        "scale-conflict",
        "Scale checks disagree",
        "What was taped {cards?on/between} {cards|the wall or on a card} does not agree with what else shows the print "
        "scale{out|}",
        "tape it again, tape between the check ticks of a card too (check_length in the job file), and make sure of "
        "the bolt size",
        "taped length less what it should be",
    ),
    Reason(
        "run",
        "ribbed",
        "A ribbed bar is left out",
        "Something with ribs like reinforcing bar stands {length|somewhere} along and is left out",
        "if it is an anchor bolt, shoot it from two more sides",
        "how far along the run it stands",
    ),
    Reason(
        "run",
        "no-bolts",
        "No bolt found",
        "No bolt was found on this run",
        "if there are any, shoot each from above with a card and the chalk line in view",
    ),
    Reason(
        "run",
        "bolt-size",
        "Check the bolt size",
        "No bolt of the size in the job file shows plainly, but bolts of {length|another listed size} do",
        "check the bolt size in the job file, and measure again from the same photos",
        "diameter of the size that shows",
    ),
    Reason(
        "run",
        "lens-unknown",
        "Lens not calibrated",
        "No lens profile fits the phone used on this run, so the numbers carry wider ± figures",
        "photograph the calibration sheet with this phone and run calibrate",
    ),
    Reason(
        "card",
        "card-tilted",
        "Card not lying flat",
        "{cards|This card} {cards?is/are} tilted, so {cards?it counts/they count} for less",
        "brush the grit from under it, lay it flat and shoot it again",
    ),
    Reason(
        "card",
        "card-curled",
        "Card curled",
        "{cards|This card} {cards?curls/curl} up at the ends, so {cards?it counts/they count} for less",
        "glue it to a flat board or print a new one, and shoot it again",
    ),
    Reason(
        "card",
        "card-moved",
        "Card moved between photos",
        "{cards|This card} {cards?lies/lie} in different places in {photos|different photos}",
        "leave the cards where they lie until the last photo, and shoot this stretch again",
        "how far it moved",
    ),
    Reason(
        "card",
        "card-duplicate",
        "Card number used twice",
        "{cards|This card number} {cards?lies/lie} on the wall in two places",
        "take one of the two away, put a card with an unused number there, and shoot this stretch again",
    ),
    Reason(
        "bolt",
        "one-view",
        "Seen in one photo only",
        "This bolt was seen only in {photos|one photo}, so the photos alone do not give its lean and stick-up",
        "take a second photo of it from another side",
    ),
    Reason(
        "bolt",
        "stated-stickup",
        "Lean rests on the stated stick-up",
        "The lean rests on the stick-up stated in the job file, because the photos do not show it",
        "measure this bolt's stick-up, or take a second photo of it from another side",
    ),
    Reason(
        "bolt",
        "wide-interval",
        'Not sure to 1/16"',
        "This bolt's ± figure is over 1/16\"",
        "check it with a tape before drilling, or take one more photo of it from closer by",
    ),
    Reason(
        "bolt",
        "near-edge-of-photo",
        "At the edge of the photo",
        "This bolt stands at the very edge of {photos|its photo}, where the lens is least sure",
        "take one more photo with the bolt near the middle",
    ),
    Reason(
        "bolt",
        "base-hidden",
        "Base hidden",
        "A washer, a nut or dirt hides where this bolt leaves the concrete",
        "clear the base and shoot it again, or check the setback with a tape",
    ),
    Reason(
        "bolt",
        "bent",
        "Bent",
        "This bolt is bent along its length, so one lean does not describe it",
        "look at it on the wall, and ask the engineer what to do with it",
        "how far it bows",
    ),
    Reason(
        "bolt",
        "has-nut",
        "Nut on the bolt",
        "A nut on this bolt hides part of its shank",
        "if the ± figure is too wide for you, run the nut off and shoot it again",
    ),
    Reason(
        "bolt",
        "diameter-off",
        "Not the stated diameter",
        "This bolt comes out {length|plainly} off the diameter in the job file",
        "check the bolt's size and make sure it is an anchor bolt",
        "measured diameter less stated",
    ),
    Reason(
        "bolt",
        "weak-evidence",
        "Hardly visible",
        "Little of this bolt could be seen in {photos|the photos}",
        "make sure it is a bolt, and take one more photo of it in better light",
    ),
    Reason(
        "bolt",
        "views-disagree",
        "Photos disagree",
        "By {photos|its photos} this bolt stands in different places{out|}",
        "check it with a tape, and see that no card near it was moved or lifted",
        "how far the photos disagree",
    ),
    Reason(
        "bolt",
        "off-wall",
        "Not on the wall",
        "This comes out beyond the edge of the foundation, so it may be no anchor bolt",
        "look at the picture, and if it is something else leave it out",
        "how far beyond the edge",
    ),
    Reason(
        "corner",
        "no-crossing",
        "Lines do not cross in view",
        "The photos do not show where the two chalk lines cross",
        "take a corner photo with both lines, their crossing and a card of each run in view",
    ),
    Reason(
        "corner",
        "corner-poor",
        "Corner not sure",
        "The corner's angle is not sure enough to cut to",
        "take two more photos of the corner, each with a card of both runs in view, or measure it by hand",
    ),
)
