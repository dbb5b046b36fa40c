"""One example checklist: adult cannulation by landmark. An example, to be approved locally.

Composed in our own words from what published material asks for and from common practice; each step names where it comes
from and how sure that is: 'read', 'second-hand' (read where it is cited), 'common practice, no source'. Which steps are
critical is our proposal. Values that differ between services stand apart, as local values.
"""

from audits.checklist import Checklist, Phase, Step, Value

_ACSQHC = "ACSQHC, Management of Peripheral Intravenous Catheters Clinical Care Standard, 2021"
_UNIT = "HLTHPS009 Perform peripheral intravenous cannulation, R1 2015"
_INS = "INS, Infusion Therapy Standards of Practice, 8th ed. 2021"
_HSIB = "HSIB, residual drugs in intravenous cannulae and extensions, 2021"
_COMMON = "Common practice, no source"


def _read(statement: str) -> str:
    return f"{_ACSQHC}, quality statement {statement} (read)"


def _second_hand(source: str) -> str:
    return f"{source} (second-hand)"


VALUES = (
    Value("tourniquet", "Tourniquet above the site", "5 to 10 cm", f"{_COMMON}; taught figures run to 15 cm and more"),
    Value("antiseptic", "Skin antiseptic", "chlorhexidine 2% in alcohol 70%", _read("6")),
    Value("drying", "Drying", "until it is dry to the eye", _COMMON),
    Value("flush", "Flush", "5 mL or more of sodium chloride 0.9% from a 10 mL syringe", _COMMON),
    Value("attempts", "Attempts by one clinician", "2", _second_hand(_INS)),
    Value("identifiers", "Patient identification", "two identifiers", _COMMON),
)

PHASES = (
    Phase("before", "Before", stands=True),
    Phase("prepare", "Prepare", stands=True),
    Phase("asepsis", "Asepsis", stands=True),
    Phase("insert", "Insert"),
    Phase("confirm", "Secure and confirm"),
    Phase("after", "After"),
)

STEPS = (
    Step("indication", "before", "Checks that a cannula is ordered or indicated, and is the right device",
         source=_read("1")),
    Step("identity", "before", "Makes sure who the patient is, by {identifiers}", critical=True,
         guidance="The identifiers are checked at the bedside and never written down here.",
         source=_second_hand(_UNIT)),
    Step("risks", "before", "Asks about allergies and bleeding, and looks for a limb that must not be used",
         critical=True,
         guidance="A fistula, cleared lymph nodes, an injured, weak or infected arm: another limb, or advice first.",
         source=_read("3")),
    Step("history", "before", "Asks what went well or badly with earlier cannulas, and judges how difficult access is",
         source=_read("2")),
    Step("consent", "before", "Explains what is going to happen and has the patient's agreement", critical=True,
         guidance="Or says why it cannot be asked for: an emergency, a patient who cannot decide.", source=_read("2")),
    Step("own_skill", "before", "Judges whether this is within their own skill, and gets help before starting if not",
         source=_read("4")),
    Step("hands_first", "prepare", "Cleans hands before touching patient and equipment", critical=True,
         source=_read("6")),
    Step("kit", "prepare", "Gathers what is needed; packs are whole and in date; gauge and length fit the purpose",
         guidance="The smallest gauge that does the job.", source=_second_hand(_INS)),
    Step("prime", "prepare", "Primes flush and extension so that no air is left and key parts stay untouched",
         source=_COMMON),
    Step("position", "prepare", "Has the sharps container within reach, good light, and the arm supported",
         source=_COMMON),
    Step("comfort", "prepare", "Offers something against pain or fear", if_arises=True, source=_read("5")),
    Step("choose_site", "prepare", "Puts the tourniquet on {tourniquet} above, looks and feels, and picks the site",
         guidance="Forearm first; joints are avoided where that is possible. Off again if looking takes long.",
         source=_read("4")),
    Step("soil", "asepsis", "Washes off visible dirt and clips hair", if_arises=True,
         guidance="Hair is never shaved.", source=_read("6")),
    Step("hands_again", "asepsis", "Cleans hands again and puts gloves on", source=_read("6")),
    Step("disinfect", "asepsis", "Disinfects the skin with {antiseptic} and waits {drying}", critical=True,
         guidance="Another agent where the patient does not tolerate this one.", source=_read("6")),
    Step("no_touch", "asepsis", "Does not touch the clean site again", critical=True,
         guidance="Or disinfects anew, or feels for the vein with sterile gloves.", source=_read("6")),
    Step("key_parts", "asepsis", "Keeps every key part sterile to the end", critical=True,
         source=_second_hand("Public material on aseptic non-touch technique")),
    Step("anchor", "insert", "Tightens the tourniquet again and holds the vein still", source=_COMMON),
    Step("enter", "insert", "Warns the patient and goes in bevel up at a low angle", source=_COMMON),
    Step("advance", "insert", "Sees blood, flattens, and slides the cannula off the needle without force",
         guidance="Whether the vein is found is not judged here: technique can be right and the vein missed.",
         source=_COMMON),
    Step("no_reinsertion", "insert", "Never puts the needle back into the cannula", critical=True, source=_COMMON),
    Step("release", "insert", "Releases the tourniquet before the needle is withdrawn", critical=True, source=_COMMON),
    Step("sharps", "insert", "Makes the needle safe and drops it straight into the container", critical=True,
         source=_COMMON),
    Step("stop", "insert", "Stops at pulsing blood, severe pain or tingling; after {attempts} attempts asks for help",
         critical=True, if_arises=True, guidance="Each attempt with a new cannula.", source=_second_hand(_INS)),
    Step("flush", "confirm", "Flushes with {flush} and watches for swelling, pain and resistance", critical=True,
         guidance="Cannula and extension are flushed every time, above all after anaesthetic drugs.",
         source=f"{_HSIB} (read); amount: {_COMMON.lower()}"),
    Step("secure", "confirm", "Secures the cannula under a sterile clear dressing, dated, with the site in sight",
         source=_read("6")),
    Step("tidy", "after", "Clears up, cleans hands, sees that the tourniquet is off, says what to report",
         critical=True, source=_COMMON),
    Step("document", "after", "Records why, where, which gauge, how many attempts, when and by whom; plans the review",
         critical=True, source=_read("7")),
)  # fmt: skip

RATINGS = ("Not safe yet", "Safe with help at hand", "Safe and steady", "Safe, steady, and eases the patient")

NOTE = "Example, to be approved locally. Which steps are critical is a proposal; sources stand with each step."
NAME = "Example checklist: adult cannulation, landmark"
EXAMPLE = Checklist(values=VALUES, phases=PHASES, steps=STEPS, ratings=RATINGS)
