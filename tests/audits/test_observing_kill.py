"""SIGKILL after each SQL statement in turn, of beginning and signing an observation: all of it or nothing of it."""

from datetime import date
from uuid import uuid4

import pytest

from audits import second_raters
from audits.models import Observation, ObservationDraft, SecondAsked
from audits.observation_content import check
from ledger.models import Act
from people.models import Shown, Stale
from tests.audits.observed import begun, make_watched, problems, ticked
from tests.audits.test_kill import kill_everywhere
from tests.factories import SECRET
from tests.ledger.conftest import process as process  # the fixture

pytestmark = pytest.mark.django_db(transaction=True)

BEGIN = """
    from uuid import UUID
    from audits.models import Procedure
    from audits.observing import begin
    from people.models import Clinician, Unit, User
    begin(
        actor=User.objects.get(pk={user}), uuid=UUID({uuid!r}), clinician=Clinician.objects.get(pk={clinician}),
        procedure=Procedure.objects.get(pk={procedure}), unit=Unit.objects.get(pk={unit}), purpose="decision",
        setting="patient",
    )
"""

SIGN = """
    from audits.models import Observation
    from audits.observing import sign
    from people.models import User
    from people.signing import confirm
    user = User.objects.get(pk={user})
    signer = confirm(user=user, secret={secret!r}, meaning="observed, as shown", digests=[{digest!r}])
    sign(signer=signer, observation=Observation.objects.get(pk={observation}))
"""


@pytest.fixture
def stage():
    return make_watched(expires_on=date(2100, 1, 1), months=900)


def whole():
    return problems() == []


def test_who_begins_and_is_killed_anywhere_began_wholly_or_not_at_all(stage, process):
    acts = Act.objects.count()

    def state():
        return Observation.objects.count(), ObservationDraft.objects.count(), Act.objects.count() - acts

    work = BEGIN.format(
        user=stage.assessor.pk, uuid=str(uuid4()), clinician=stage.learner.pk, procedure=stage.procedure.pk,
        unit=stage.ward.pk,
    )  # fmt: skip
    places = kill_everywhere(process, work, state, before=(0, 0, 0), after=(1, 1, 1), holds=whole)
    assert places > 15


@pytest.mark.std("A-11")
@pytest.mark.parametrize("second", [False, True])
def test_who_signs_and_is_killed_anywhere_signed_wholly_or_not_at_all(stage, process, second):
    """What is signed, what is kept to be signed, the outbox, and what ends by it, stand or fall together."""
    made = begun(stage)
    if second:
        second_raters.ask(actor=stage.assessor, observation=made, whom=stage.other)
        made = begun(stage, actor=stage.other, second_of=made)
    ticked(made)
    acts, stale, drafts = Act.objects.count(), Stale.objects.count(), ObservationDraft.objects.count()

    def state():
        return (
            Observation.objects.filter(signed__isnull=False, pk=made.pk).exists(),
            drafts - ObservationDraft.objects.count(),
            Act.objects.count() - acts,
            Stale.objects.count() - stale,
            Shown.objects.filter(used__isnull=False).count(),
            SecondAsked.objects.known().count(),
        )

    work = SIGN.format(user=made.assessor.pk, secret=SECRET, digest=check(made).digest, observation=made.pk)
    before = (False, 0, 0, 0, 0, 1 if second else 0)
    after = (True, 1, 1, 0 if second else 1, 1, 0)
    places = kill_everywhere(process, work, state, before=before, after=after, holds=whole)
    assert places > 20
