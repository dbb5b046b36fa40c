"""Who may open which URL: one table, enforced by middleware. A URL without a row is refused.

A row says who may open the page at all; whose objects the page then shows or changes is asked of the app's `access`.
To add a URL: name it in the app's urls.py, add its row here, and its expected answers in tests/config/matrix.py.
"""

import logging
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, HttpResponseNotAllowed, JsonResponse
from django.urls import NoReverseMatch, reverse

from audits.models import Insertion
from people import access
from people.access import Access, Right, Role

log = logging.getLogger("sited")

Predicate = Callable[[Access], bool]


def anyone(_: Access) -> bool:
    """Without signing in. The only predicate that is never asked of a user."""
    return True


def signed_in(_: Access) -> bool:
    return True


def here(access: Access) -> bool:
    """Placed or appointed somewhere today, an administrator's appointment aside."""
    return bool(access.neighbourhood)


def logs(access: Access) -> bool:
    """A clinician, who logs for oneself, or somebody who may log on behalf of others."""
    return access.clinician is not None or access.may_somewhere(Right.LOG_ON_BEHALF)


def logs_for_others(access: Access) -> bool:
    return access.may_somewhere(Right.LOG_ON_BEHALF)


def signs(access: Access) -> bool:
    """Supervises somewhere, or is named on an entry: who no longer supervises still answers for what they watched."""
    return supervises(access) or Insertion.objects.known().filter(supervisor=access.user).exists()


def supervises(access: Access) -> bool:
    """Appointed as supervisor, assessor or educator somewhere."""
    return access.may_somewhere(Right.SUPERVISE)


def staff(access: Access) -> bool:
    """Appointed to a role by which one follows how far others are."""
    return access.may_somewhere(Right.PROGRESS)


def rates(access: Access) -> bool:
    """Who may watch somebody's practice, and who may see figures: agreement of raters."""
    return supervises(access) or access.may_somewhere(Right.FIGURES)


def stands_down(access: Access) -> bool:
    return access.may_somewhere(Right.STAND_DOWN)


def assesses(access: Access) -> bool:
    return access.may_somewhere(Right.ASSESS)


def educates(access: Access) -> bool:
    return access.may_somewhere(Right.DECIDE)


def keeps_rules(access: Access) -> bool:
    """Educators and managers: founding awards, rules, programmes, settings."""
    return access.may_somewhere(Right.KEEP_RULES)


def places(access: Access) -> bool:
    """Educators, managers and administrators."""
    return access.may_somewhere(Right.PLACE)


def audits(access: Access) -> bool:
    return bool(access.units(Role.AUDITOR))


def oversees(access: Access) -> bool:
    """Educators, managers and auditors: figures of units."""
    return access.may_somewhere(Right.UNIT_FIGURES)


def administers(access: Access) -> bool:
    return access.may_somewhere(Right.ADMINISTER)


def sets_up_units(access: Access) -> bool:
    """The tree and its settings: administrators open and move, educators and managers set."""
    return administers(access) or keeps_rules(access)


@dataclass(frozen=True)
class Row:
    """Who may ask for a URL, and by which methods. HEAD goes with GET."""

    predicate: Predicate
    methods: tuple[str, ...] = ("GET",)
    note: str = ""


PAGE = ("GET",)
FORM = ("GET", "POST")
ACTION = ("POST",)

TABLE: dict[str, Row] = {
    # --- frame ---
    "healthz": Row(anyone, note="for monitors; reads nothing"),
    "readyz": Row(anyone, note="for monitors; details only with the operations token"),
    "stay": Row(signed_in),
    # --- people: one's own account ---
    "sign_in": Row(anyone, FORM),
    "sign_out": Row(anyone, ACTION, "also after the session ended"),
    "invitation": Row(anyone, FORM, "the token is the key"),
    "account": Row(signed_in),
    "secret": Row(signed_in, FORM),
    "sign_out_everywhere": Row(signed_in, ACTION),
    # --- people: set up ---
    "set_up": Row(places),
    "units": Row(sets_up_units),
    "unit_open": Row(administers, FORM),
    "unit_change": Row(administers, FORM),
    "unit_settings": Row(keeps_rules),
    "unit_setting": Row(keeps_rules, FORM),
    "accounts": Row(administers, FORM),
    "account_open": Row(administers, FORM),
    "account_page": Row(administers),
    "account_change": Row(administers, FORM),
    "account_invite": Row(administers, ACTION),
    "account_end": Row(administers, ACTION),
    "account_restore": Row(administers, ACTION),
    "appoint": Row(administers, FORM),
    "appointment_end": Row(administers, FORM),
    "staff": Row(places, FORM),
    "clinician_open": Row(places, FORM),
    "staff_page": Row(places),
    "clinician_change": Row(places, FORM),
    "place": Row(places, FORM),
    "move": Row(places, FORM),
    "placement_end": Row(places, FORM),
    "absence": Row(places, FORM),
    "absence_end": Row(places, FORM),
    # --- audits: the log ---
    "log": Row(logs, FORM),
    "log_whose": Row(logs_for_others, FORM),
    "log_for": Row(logs_for_others, FORM),
    "log_saved": Row(logs),
    "tally": Row(logs, FORM, "one's own; the write asks whether one may tally on that day"),
    "tally_for": Row(logs_for_others, FORM),
    "tallies": Row(signed_in, FORM, "one's own, those of one's units"),
    # --- audits: entries ---
    "entries": Row(signed_in, FORM, "one's own, those that name one, those of one's units"),
    "entry": Row(signed_in, note="404 for what is out of sight"),
    "entry_correct": Row(logs, FORM),
    "entry_withdraw": Row(logs, FORM),
    "entry_dispute": Row(signed_in, FORM, "one's own entry, one's own statement, or as an educator"),
    "proposal_take_back": Row(signed_in, ACTION, "one's own proposal"),
    "dispute_take_back": Row(signed_in, ACTION, "one's own dispute"),
    "in_question": Row(educates, FORM, "countersignatures on one's units"),
    "disagreements": Row(educates, FORM, "those on one's units"),
    "disagreement": Row(signed_in, FORM, "404 for an entry out of sight; both sides add to it"),
    "disagreement_rule": Row(educates, FORM, "never a side of it"),
    # --- audits: signing ---
    "to_sign": Row(signs, FORM),
    "to_sign_check": Row(signs, FORM),
    "send_back": Row(signs, FORM),
    "not_me": Row(signs, FORM),
    "entry_accept": Row(educates, FORM),
    "entry_decide": Row(signs, FORM),
    # --- audits: observations ---
    "observations": Row(here, FORM, "of oneself, those one makes or made, those of one's units"),
    "observe_begin": Row(supervises, FORM, "the page says which purposes are open"),
    "observe": Row(signed_in, FORM, "one's own that is not signed; 404 for others'"),
    "observe_save": Row(signed_in, ACTION),
    "observe_check": Row(signed_in, FORM, "the signature asks whether one could observe on that day"),
    "observe_drop": Row(signed_in, FORM),
    "observation": Row(signed_in, note="404 for what is out of sight"),
    "agreement": Row(rates, note="raters their own pairs; educators and auditors those of their units"),
    "missed_steps": Row(oversees, FORM, "units in one's charge; few people are never shown"),
    "observation_answer": Row(signed_in, FORM, "the learner, its assessor, educators of the unit"),
    "observation_dispute": Row(signed_in, FORM),
    "observation_dispute_take_back": Row(signed_in, ACTION, "one's own dispute"),
    "disagreement_observed": Row(signed_in, FORM, "404 for an observation out of sight; both sides add to it"),
    "disagreement_observed_rule": Row(educates, FORM, "never a side of it"),
    "second_ask": Row(signed_in, FORM, "its assessor, educators of the unit"),
    "second_begin": Row(signed_in, ACTION, "whoever is asked"),
    "second_decline": Row(signed_in, ACTION, "whoever is asked"),
    # --- credentials: answers ---
    "help": Row(signed_in),
    "today": Row(signed_in),
    "who_can": Row(here, FORM),
    "people": Row(staff, FORM, "those whose progress one may know"),
    "year_ahead": Row(oversees, FORM, "dates and what is due on one's units, no figures"),
    "year_ahead_book": Row(oversees, ACTION),
    "unit_day": Row(oversees, FORM, "one's own units; answers, no figures"),
    "incident": Row(oversees, PAGE, "figures only for who may see them"),
    "person": Row(here, note="the answer; figures and reasons only for who may see them"),
    "what_counts": Row(here, note="whose progress one may know; entries and observations only to who may open them"),
    # --- credentials: decisions about a person ---
    "enrol": Row(educates, FORM),
    "enrolment_end": Row(educates, FORM),
    "enrolment_move": Row(educates, FORM, "404 where no other version is in effect"),
    "completion": Row(educates, FORM),
    "completion_withdraw": Row(educates, FORM),
    "award": Row(educates, FORM),
    "renew": Row(educates, FORM),
    "scope": Row(educates, FORM),
    "scopes": Row(keeps_rules, FORM),
    "scope_profession": Row(educates, FORM),
    "scope_end": Row(educates, FORM),
    "founding_enter": Row(keeps_rules, FORM),
    "foundings": Row(keeps_rules, FORM),
    "founding_decide": Row(keeps_rules, FORM),
    "recognise": Row(educates, FORM),
    "recognition_withdraw": Row(educates, FORM),
    "award_extend": Row(educates, FORM),
    # --- credentials: decisions that limit somebody ---
    "stand_down": Row(stands_down, FORM, "supervisors, educators and managers in charge"),
    "exposure": Row(oversees, FORM, "insertions on one's units, without results"),
    "limit": Row(educates, FORM),
    "limit_end": Row(educates, FORM),
    "limit_extend": Row(educates, FORM),
    "return_step": Row(educates, FORM),
    # --- credentials: papers ---
    "papers": Row(here, FORM, "about oneself, those whose figures one sees, those one may certify"),
    "certificate_give": Row(here, ACTION, "of oneself; educators and managers of the unit"),
    "certificate_revoke": Row(educates, FORM),
    "certificate_public": Row(anyone, note="the token is the key"),
    "verify_script": Row(signed_in),
    # --- credentials: cohorts ---
    "cohorts": Row(oversees, FORM, "those at one's units"),
    "cohort": Row(oversees, FORM, "404 for what is elsewhere"),
    "cohort_open": Row(educates, FORM),
    "cohort_join": Row(educates, FORM),
    "cohort_leave": Row(educates, FORM),
    "cohort_handed": Row(educates),
    "cohort_take": Row(educates, ACTION, "whoever somebody was handed to"),
    # --- credentials: reviews ---
    "reviews": Row(here, FORM, "one's own, and as educator or auditor those of one's units"),
    "review": Row(here, FORM),
    "review_reply": Row(here, ACTION),
    "review_refer": Row(here, FORM, "the person, and educators of theirs"),
    "referral_end": Row(here, ACTION, "who referred it, or an educator"),
    "plan": Row(here, PAGE, "one's own, and as educator or auditor those of one's units"),
    # --- credentials: rules and programmes ---
    "rules": Row(here, FORM),
    "document": Row(here, FORM, "everybody reads; educators and managers approve another's"),
    "document_take_back": Row(keeps_rules, ACTION),
    "document_begin": Row(keeps_rules, FORM),
    "document_propose": Row(keeps_rules, FORM),
    # --- credentials: local policies ---
    "policies": Row(here, FORM, "everybody reads those that concern their units"),
    "policy": Row(here, PAGE, "404 for one elsewhere"),
    "policy_open": Row(keeps_rules, FORM),
    "policy_change": Row(keeps_rules, FORM, "404 for one elsewhere"),
    "policy_end": Row(keeps_rules, FORM),
    # --- credentials: checklists ---
    "checklist_begin": Row(keeps_rules, FORM),
    "checklist_draft": Row(keeps_rules, FORM, "drafts at one's own units; 404 for others'"),
    "checklist_step": Row(keeps_rules, FORM),
    "checklist_step_add": Row(keeps_rules, FORM),
    "checklist_phase": Row(keeps_rules, FORM),
    "checklist_phase_add": Row(keeps_rules, FORM),
    "checklist_value": Row(keeps_rules, FORM),
    "checklist_value_add": Row(keeps_rules, FORM),
    "checklist_words": Row(keeps_rules, FORM),
    "checklist_propose": Row(keeps_rules, FORM),
    "checklist_draft_drop": Row(keeps_rules, ACTION),
    "checklist_blank": Row(here, note="everybody reads"),
    "checklist_retire": Row(keeps_rules, FORM),
    "checklist_retirement": Row(keeps_rules, FORM, "never who took it out of use"),
    # --- credentials: sheets that come in ---
    "imports": Row(places),
    "import_staff": Row(places, FORM),
    "import_logbook": Row(educates, FORM),
    "import_completions": Row(educates, FORM),
    "import_template": Row(places, note="an empty sheet of a kind that one may import"),
    "import_preview": Row(places, FORM, "one's own upload; 404 for others'"),
    "import_match": Row(places, FORM),
    "import_progress": Row(places),
    "import_refused": Row(places),
    "import_drop": Row(places, ACTION),
}


class PermissionTable:
    """Default deny: asks the table before any view. Also says no for what a view or an access function refuses."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., Any], args: Any, kwargs: Any
    ) -> HttpResponse | None:
        name = request.resolver_match.view_name if request.resolver_match else ""
        row = TABLE.get(name)
        if row is None:
            log.error("no row in the table of permissions", extra={"facts": {"name": name}})
            raise PermissionDenied(f"{name!r} has no row in the table of permissions")
        allowed = (*row.methods, "HEAD") if "GET" in row.methods else row.methods
        if request.method not in allowed:
            return HttpResponseNotAllowed(allowed)
        if row.predicate is anyone:
            return None
        if not request.user.is_authenticated:
            return to_sign_in(request)
        if not row.predicate(access.of(request)):
            refused(request, name)
            raise PermissionDenied(f"{name!r} asks for {row.predicate.__name__}")
        return None

    def process_exception(self, request: HttpRequest, exception: Exception) -> None:
        """Note what an access function refused; Django answers 403."""
        if isinstance(exception, access.NotPermitted):
            refused(request, request.resolver_match.view_name if request.resolver_match else "")


def may_open(request: HttpRequest, name: str) -> bool:
    """Whether whoever asks may open this URL: for the navigation and for links."""
    row = TABLE.get(name)
    if row is None:
        return False
    if row.predicate is anyone:
        return True
    return request.user.is_authenticated and row.predicate(access.of(request))


def to_sign_in(request: HttpRequest) -> HttpResponse:
    """The way to the sign-in page; a script, which can't follow it, is told 401."""
    if is_fetch(request):
        answer = JsonResponse({"error": "signed_out", "sign_in": _url("sign_in")}, status=401)
        if request.headers.get("HX-Request"):
            answer["HX-Redirect"] = _url("sign_in")
        return answer
    # Where somebody was about to send a form, they come back to the page of that form.
    return redirect_to_login(request.get_full_path() if request.method == "GET" else request.path)


def is_fetch(request: HttpRequest) -> bool:
    return (
        bool(request.headers.get("HX-Request"))
        or request.headers.get("Sec-Fetch-Dest") == "empty"
        or request.headers.get("Accept", "").startswith("application/json")
    )


def refused(request: HttpRequest, name: str) -> None:
    log.warning("not permitted", extra={"facts": {"user": request.user.pk, "name": name, "method": request.method}})


def _url(name: str) -> str:
    try:
        return reverse(name)
    except NoReverseMatch:
        return "/"
