"""People whom the rules must find, by name: who they are, and what the register must say of them on the last day."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """What must hold on `today`: status and answer at the home unit ('' is not asked), and findings by rule.

    `role` is how the person may sign in to see it from inside; '' for those whom others look at.
    """

    number: str
    name: str
    unit: str
    about: str
    procedure: str = "ADULT"
    status: str = ""
    may: str = ""
    rules: frozenset[str] = frozenset()
    role: str = ""


def _story(key: str, number: str, name: str, unit: str, about: str, rules: str = "", **more: str) -> tuple[str, Story]:
    return key, Story(number=number, name=name, unit=unit, about=about, rules=frozenset(rules.split()), **more)


STORIES = dict(
    (
        _story("close", "003011", "Tindra Maplethorpe", "tern", "a steady trainee, one supervised insertion short",
               status="in_training", may="in_room", role="trainee"),
        _story("ready", "003018", "Joram Pellingfield", "heron", "a trainee who has all that the terms ask",
               status="ready_for_award", may="in_room"),
        _story("provisional", "003025", "Dashiell Ormerod-Finch", "tern", "awarded seven weeks ago, still provisional",
               status="provisional", may="alone"),
        _story("falling", "003032", "Corin Ashgrove-Bell", "heron", "a first-attempt rate that fell over the last year",
               "first_attempt_rate drift", status="current", may="alone", role="holder with an open review"),
        _story("quiet", "003039", "Maren Dovercote", "curlew", "holds an award, and has gone quiet", "recency",
               status="current", may="alone"),
        _story("lapsed", "003046", "Hollis Wrackham", "avocet",
               "lapsed yesterday, and cannot sign an entry that waits", "expiry",
               status="lapsed", may="in_room", role="supervisor who lapsed"),
        _story("grace", "003053", "Selby Amaranth", "egret", "expired ten days ago, in days of grace", "expiry",
               status="in_grace", may="in_room"),
        _story("due", "003060", "Ngaire Thornbury-Ames", "heron", "renewal is open", "expiry",
               status="due", may="alone"),
        _story("ineligible", "003067", "Verity Stonecroft-Lai", "plover",
               "countersigned for weeks after the appointment as supervisor had ended", status="current", may="alone"),
        _story("in_question", "003074", "Ilya Brandreth", "plover", "a trainee whose credit is in question for that",
               status="in_training", may="in_room"),
        _story("asked", "003081", "Cosmo Larkwright", "curlew",
               "a record to be asked about: thirty of thirty, one supervisor, ten at a time", status="in_training",
               may="in_room"),
        _story("asked_supervisor", "003088", "Honor Blakeley-Sundt", "curlew", "who signed all of that record",
               status="current", may="alone"),
        _story("difficult", "003095", "Philippa Quillfeather", "emergency",
               "called to the hard ones: a good clinician whose rate looks bad", "first_attempt_rate",
               status="current", may="alone"),
        _story("run", "003102", "Osric Tamblyn-Yeo", "avocet", "none of the last five worked first time",
               "repeated_failure", status="current", may="alone"),
        _story("limit", "003109", "Bettina Harcastle", "tern", "three punctures in one patient", "attempts_limit",
               status="current", may="alone"),
        _story("event", "003116", "Ruaridh Solanke", "harbour-emergency", "an artery punctured", "serious_event",
               status="current", may="alone", role="holder who replied to a review"),
        _story("agency", "003123", "Delphine Okwuosa-Hart", "emergency", "agency: never more than nearby here",
               status="current", may="nearby", role="agency nurse"),
        _story("student", "003130", "Linus Featherby", "tern", "a nursing student who learns here",
               status="in_training", may="in_room", role="student"),
        _story("student_employed", "003137", "Mirela Costigan-Voss", "heron",
               "a student here, employed with an award next door", status="current", may="nearby"),
        _story("by_role", "003144", "Anselm Redgrovener", "theatre",
               "an anaesthetist who inserts by role, supervises, and never enrolled", status="by_role", may="alone",
               role="anaesthetist and supervisor"),
        _story("by_role_person", "003151", "Farah Quennell-Abiodun", "harbour-emergency",
               "a doctor with a scope by role of her own", status="by_role", may="alone"),
        _story("locum", "003158", "Caspian Ferreby-Nunn", "harbour-emergency", "a locum whose scope by role has ended",
               status="not_enrolled", may="no"),
        _story("emergency", "003165", "Bryn Hallowes-Kaur", "emergency",
               "not credentialed, inserted in an emergency with nobody to supervise", status="not_enrolled", may="no"),
        _story("mended", "003172", "Noa Winterscale", "egret",
               "entries sent back, not signed, not the supervisor's, corrected, withdrawn, disputed, late",
               status="in_training", may="in_room", role="trainee with much to mend"),
        _story("moved", "003179", "Agnes Rutherglen-Paz", "avocet", "moved to the other hospital: not held here",
               status="not_enrolled", may="no"),
        _story("leave", "003186", "Teodor Maslenka", "heron", "back from long leave, with a return step to do",
               status="current", may="in_room"),
        _story("joined", "003193", "Wilhelmina Sproatley", "tern", "took over where a colleague had not succeeded",
               status="current", may="alone", role="supervisor"),
        _story("not_yet", "003207", "Perrin Ashlark-Doyle", "tern",
               "observed for a decision: a critical step was missed", "critical_step", status="in_training",
               may="in_room", role="trainee with feedback to read"),
        _story("disputed", "003214", "Saoirse Wellbourne", "heron",
               "says that an observation is wrong, and waits for a decision", "critical_step", status="in_training",
               may="in_room"),
        _story("stood_down", "003900", "Torvald Inchmoor", "plover", "stood down in the night by the manager in charge",
               status="stood_down", may="no", role="holder who was stood down"),
        _story("suspended", "003907", "Bettina Quarrendon", "plover", "suspended by an educator",
               status="suspended", may="no"),
        _story("reinstated", "003914", "Osric Lambourne-Vey", "plover", "was suspended for two weeks, and reinstated",
               status="current", may="alone"),
        _story("withdrawn", "003921", "Maribel Stanhope-Oake", "plover", "whose award was withdrawn",
               status="withdrawn", may="no"),
        _story("on_a_plan", "003928", "Cuthbert Ravensdale", "plover", "on a re-supervision plan that is overdue",
               status="current", may="in_room"),
        _story("returning", "003935", "Yevanda Thistlecombe", "plover", "lapsed, and on a return plan", "expiry",
               status="lapsed", may="in_room"),
        _story("plan_done", "003942", "Linnea Harrowgate", "plover", "whose plan was extended once, then completed",
               status="current", may="alone"),
        _story("return_signed", "003984", "Hesper Wainfleet", "plover",
               "back from long leave; the return step was signed as done, early", status="current", may="alone"),
        _story("tallying", "003949", "Verity Lockspeiser", "renal",
               "notes shift tallies: a rate is not assessable, volume is", status="current", may="alone",
               role="holder on a unit of shift tallies"),
        _story("fortnights", "003956", "Percival Hawksmere", "imaging",
               "logs every insertion in the logging fortnights, and tallies between", status="current", may="alone",
               role="holder with logging fortnights"),
        _story("asked_plan", "004003", "Ottilie Farnsworth-Gray", "heron", "whose question led to a plan, under way",
               "attempts_limit", status="current", may="alone"),
        _story("asked_overdue", "004010", "Benedikt Sallowfield", "heron", "whose plan from a question is overdue",
               "attempts_limit", status="current", may="alone"),
        _story("asked_done", "004017", "Imogen Twelvetrees", "heron", "whose plan from a question was completed",
               "attempts_limit", status="current", may="alone"),
        _story("asked_suspended", "004024", "Lorcan Wetherspindle", "heron",
               "whose plan from a question went overdue, and who was suspended", "attempts_limit",
               status="current", may="alone"),
        _story("asked_referred", "004031", "Junia Marchbanks", "heron",
               "replied to a question, which is referred to the manager and shared", "attempts_limit",
               status="current", may="alone", role="holder who shared a question"),
        _story("recognised", "003308", "Ingeborg Saltonstall", "egret",
               "an award from elsewhere, recognised as a whole", status="current", may="alone"),
        _story("recognised_part", "003315", "Tamar Winslade-Ojo", "egret",
               "practice from elsewhere, recognised in part", status="in_training", may="in_room"),
        _story("recognised_again", "003322", "Cormac Dellingpole", "avocet",
               "a recognition that was a mistake and withdrawn: to be assessed again", status="in_training", may="no"),
        _story("extended", "003329", "Rosamund Achterby", "heron", "an award extended to the other hospital",
               status="current", may="alone"),
        _story("moved_version", "003336", "Leopoldine Sunderby-Kan", "imaging",
               "moved to a version of the programme that asks for more", status="in_training", may="in_room"),
        _story("disagreed", "003343", "Fenna Larkhill-Moss", "heron",
               "entries and observations disputed and decided: they stand, are mended, are struck out",
               status="in_training", may="in_room", role="trainee whose disagreements were decided"),
        _story("reconsidered", "003350", "Jocasta Thornwaite", "plover",
               "signed by the same supervisor: three count all the same, two do not", status="in_training",
               may="in_room"),
        _story("asked_nothing", "004038", "Evander Plumridge", "heron", "whose question was closed with no action",
               "attempts_limit", status="current", may="alone"),
        _story("asked_at_once", "004045", "Sunniva Crackenthorp", "heron",
               "whose question led to a suspension at once", "attempts_limit", status="current", may="alone"),
        _story("left", "003200", "Gideon Parkhurst-Lowe", "avocet", "left the hospital",
               status="no_placement", may="no"),
    )
)  # fmt: skip
