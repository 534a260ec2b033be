"""What to look at first, and the cautions, in the words of the trade."""

from __future__ import annotations

from types import MappingProxyType

#: Checks in the order of the trade: hand spin, motor alone, chamber on, burrs together.
LOOK_FIRST = MappingProxyType(
    {
        "bearing_noise": (
            "Unplug. Spin the shaft by hand: a rough bearing can be felt before it is heard.",
            "Run the motor alone (motor_only): a bearing makes its noise there too.",
            "Check that both bearings sit square and were pressed by the right ring; "
            "change them as a pair.",
        ),
        "impeller_rub": (
            "Unplug. Look for a scraped mark on the impeller, its housing and the rear cover.",
            "Check that the impeller sits at its depth on the shaft and has not crept towards "
            "the start switch.",
            "Turn the shaft by hand through a whole turn and listen for one spot that touches.",
        ),
        "pre_breaker_wobble": (
            "Unplug. Take the pre-breaker by hand and feel for play on the shaft.",
            "Look at the drive slot and the shear plate for wear or a cracked plate.",
            "Run the motor alone: if the clatter is gone, it comes from the driven parts.",
        ),
        "burr_contact": (
            "Back the burrs off by a mark and record again: contact goes away, other noises stay.",
            "Unplug. Clean the chamber, the burr seats and the threads: packed grounds tilt burrs.",
            "Check that both burrs lie flat and the carrier runs true.",
        ),
    }
)

UNPLUG = "Unplug the machine before opening it."
CAPACITOR = "Start and run capacitors hold a charge after unplugging: discharge them safely first."
FINGERS = "Keep fingers, tools and loose clothing away from a turning shaft and from the burrs."
COVERS = "Run it powered only with the covers on, unless the service procedure says otherwise."
HUMS = "A motor that hums and does not start must be switched off within about three seconds."
DUTY = (
    "Not more starts an hour than the start capacitor is made for "
    "(common figures: 60 of 1 s, 30 of 2 s, 20 of 3 s)."
)
EARS = "Wear ear protection near a loud run."
FOOD = "Use food-safe lubricant only."
LICENSED = "Work on the mains side belongs to licensed people under local codes."
EVIDENCE = "A sound is evidence, not proof: look before you replace anything."
