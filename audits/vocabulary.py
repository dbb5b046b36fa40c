"""The coded words of an insertion: what is stored, what a screen says, and what a sheet may say instead.

A code never changes its meaning. Words are plain English of the trade; synonyms are what hospital sheets hold, compared
without case and spaces. Colours of gauges: ISO 10555-5:2013, Over-needle peripheral catheters, from memory, to be
checked against the standard; they help to recognise a cannula and decide nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from audits.figures import EVENTS as EVENT_CODES


@dataclass(frozen=True, slots=True)
class Term:
    """One coded value. `note` is a line for the screen, where the word alone does not say it."""

    code: str
    words: str
    synonyms: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Gauge:
    """A size of cannula, and the colour of its hub (ISO 10555-5:2013, from memory)."""

    gauge: int
    colour: str

    @property
    def words(self) -> str:
        return f"{self.gauge} G, {self.colour}"


def _terms(*terms: Term) -> Mapping[str, Term]:
    return {term.code: term for term in terms}


SITES = _terms(
    Term("forearm", "Forearm", ("fa", "lower arm", "arm")),
    Term("hand", "Back of the hand", ("dorsum of hand", "dorsum", "hand dorsum", "dorsal hand", "doh", "back of hand")),
    Term("wrist", "Wrist", (), "Nerves run close: avoid where you can."),
    Term(
        "elbow",
        "Elbow crease",
        ("antecubital fossa", "antecubital", "acf", "ac", "cubital fossa", "cubital", "cubita", "bend of elbow"),
        "Over a joint: where nothing else serves.",  # common practice, no source
    ),
    Term("upper_arm", "Upper arm", ("above elbow", "biceps", "ua")),
    Term("foot", "Foot or ankle", ("ankle", "dorsum of foot", "saphenous"), "By local policy only."),
    Term("leg", "Leg", ("lower leg", "calf", "lower limb")),
    Term("scalp", "Scalp", ("head", "scalp vein")),
    Term("neck", "External jugular vein", ("external jugular", "ej", "ejv", "jugular")),
    Term("other", "Another place", ("elsewhere",)),
)

SIDES = _terms(Term("left", "Left", ("l", "lt", "lhs")), Term("right", "Right", ("r", "rt", "rhs")))

GAUGES: Mapping[int, Gauge] = {
    gauge: Gauge(gauge, colour)
    for gauge, colour in (
        (14, "orange"),
        (16, "grey"),
        (17, "white"),
        (18, "green"),
        (20, "pink"),
        (22, "blue"),
        (24, "yellow"),
        (26, "violet"),
    )
}
NOT_RECORDED = 0  # a gauge that a sheet does not tell

TECHNIQUES = _terms(
    Term("landmark", "By sight and touch", ("palpation", "blind", "standard", "conventional", "lm", "sight and touch")),
    Term(
        "ultrasound",
        "Ultrasound-guided",
        ("us", "usg", "uss", "us guided", "usg pivc", "with ultrasound"),
    ),
    Term("infrared", "With a vein light", ("near infrared", "nir", "vein finder", "vein light")),
    Term("through_light", "With a light through the limb", ("transillumination", "transilluminator")),
)
# Only ultrasound is a procedure of its own: a light shows the vein, but the needle goes by sight and touch.
GUIDED = frozenset({"ultrasound"})

ATTEMPT_RESULTS = _terms(
    Term(
        "working",
        "Working",
        ("success", "successful", "y", "yes", "s", "ok", "in", "1", "true", "done", "cannulated"),
        "In the vein, ran or flushed without swelling or undue pain before you left.",
    ),
    Term("failed", "Not working", ("fail", "unsuccessful", "n", "no", "f", "missed", "0", "false", "not successful")),
    Term("stopped", "Stopped after the puncture", ("abandoned", "aborted", "ceased", "discontinued")),
    Term(
        "taken_over",
        "Somebody took over needle or cannula",
        ("taken over", "handed over", "takeover", "senior took over"),
    ),
)

REASONS = _terms(
    Term("no_entry", "Vein not entered", ("missed vein", "no flash", "no flashback", "vein not entered", "missed")),
    Term("through", "Through the vein, or a haematoma", ("blown", "blew", "haematoma", "hematoma", "went through")),
    Term("no_advance", "Would not advance", ("valve", "unable to advance", "would not thread", "not threading")),
    Term("no_flow", "In, but no flow or swelling on flushing", ("tissued", "swelling", "no flow", "would not flush")),
    Term("moved", "Patient moved", ("patient moved", "moving", "uncooperative")),
    Term("asked_to_stop", "Patient asked to stop", ("patient request", "refused", "declined", "patient refused")),
    Term("no_longer_needed", "No longer needed", ("not required", "therapy changed", "plan changed", "cancelled")),
    Term("unwell", "Patient became unwell", ("vasovagal", "faint", "deteriorated")),
    Term("event", "A serious event", ("complication", "adverse event")),
    Term("equipment", "Equipment", ("faulty", "kit failure", "device failure")),
    Term("no_vein", "No suitable vein found", ("no veins", "poor veins", "difficult access", "no vein")),
    Term("other", "Another reason", ()),
)
REASONS_FOR_NO_ATTEMPT = ("no_vein", "asked_to_stop", "no_longer_needed", "unwell", "equipment", "other")
REASONS_FOR_ATTEMPT = tuple(code for code in REASONS if code != "no_vein")

EVENTS = _terms(
    Term("arterial_puncture", "Artery punctured", ("arterial puncture", "arterial", "artery")),
    Term(
        "nerve_symptoms",
        "Nerve symptoms",
        ("nerve injury", "nerve pain", "tingling", "paraesthesia", "electric shock", "nerve"),
        "Tingling, numbness, an electric or severe pain.",
    ),
    Term("needlestick", "Needlestick", ("sharps injury", "needle stick", "nsi", "needlestick injury")),
    Term("extravasation", "Extravasation", ("extravasation injury",), "A drug that harms tissue went beside the vein."),
    Term("catheter_shear", "Cannula sheared", ("catheter shear", "shear", "sheared", "catheter fragment")),
    Term("retained_tourniquet", "Tourniquet left on", ("retained tourniquet", "tourniquet", "tourniquet left")),
    Term("collapse", "Patient collapsed", ("collapse", "syncope")),
    Term("allergic_reaction", "Allergic reaction", ("allergy", "anaphylaxis", "allergic")),
    Term("other", "Another serious event", ("other serious event",)),
)
# What a sheet says where nothing serious happened.
NO_EVENT = ("none", "no", "n", "nil", "n/a", "na", "nothing", "none known", "0", "false")

BANDS = _terms(
    Term("adult", "Adult", ("adults", "a", "ad")),
    Term("child", "Child", ("children", "paediatric", "pediatric", "paed", "paeds", "c", "ch")),
    Term("infant", "Infant", ("infants", "baby", "i")),
    Term("neonate", "Neonate", ("neonates", "neonatal", "newborn", "nicu", "neo")),
)

HELP = _terms(
    Term("nobody", "Nobody", ("none", "no")),
    Term("colleague", "A colleague", ()),
    Term("senior", "A senior or the supervisor", ("supervisor", "registrar", "consultant")),
    Term("access_team", "The vascular access team", ("vat", "vascular access", "iv team")),
    Term("anaesthetist", "An anaesthetist", ("anaesthetics", "anaesthesia")),
    Term("other", "Somebody else", ()),
)

SCORED = _terms(
    Term("before", "Scored before the attempt"),
    Term("after", "Scored afterwards", (), "Shown beside a rate, never used to adjust it."),
)


@dataclass(frozen=True, slots=True)
class Scale:
    """A way to score difficult access: whole points from 0 to `highest`; difficult from `difficult_from` on."""

    code: str
    words: str
    highest: int
    difficult_from: int
    source: str


SCALES: Mapping[str, Scale] = {
    scale.code: scale
    for scale in (
        Scale("judged", "Own judgement: 1 if difficult", 1, 1, "common practice, no source"),
        Scale(
            "adult_five",
            "Adults, five items (modified A-DIVA)",
            5,
            4,
            "van Loon et al., J Clin Med 2019;8:144: five items; one point each and 4-5 as high are from memory",
        ),
        Scale(
            "child_ten",
            "Children, ten points (DIVA)",
            10,
            4,
            "Yen et al. 2008, as tabled in Br J Nurs 2020;29(2): 4 or more fails more often than not",
        ),
    )
}

if tuple(EVENTS) != EVENT_CODES:
    raise RuntimeError("vocabulary.EVENTS and figures.EVENTS differ: both list the serious events, in one order")


def spoken(terms: Mapping[str, Term]) -> dict[str, tuple[str, ...]]:
    """For each code what a sheet may say for it: its words first, the code itself, the synonyms."""
    return {term.code: tuple(dict.fromkeys((term.words, term.code, *term.synonyms))) for term in terms.values()}


def spoken_gauges() -> dict[int, tuple[str, ...]]:
    """The same for gauges: '20', '20 G', 'G20', '20 gauge', 'pink'."""
    return {each: (f"{each} G", f"{each}", f"G{each}", f"{each} gauge", of.colour) for each, of in GAUGES.items()}
