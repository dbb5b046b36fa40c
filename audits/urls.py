from django.urls import URLPattern, URLResolver, path

from audits.views import agreement, disputes, entries, log, observations, observing, signing

urlpatterns: list[URLPattern | URLResolver] = [
    path("log/", log.log, name="log"),
    path("log/for/", log.log_whose, name="log_whose"),
    path("log/for/<uuid:uuid>/", log.log_for, name="log_for"),
    path("log/saved/<uuid:uuid>/", log.log_saved, name="log_saved"),
    path("entries/", entries.entry_list, name="entries"),
    path("entries/<uuid:uuid>/", entries.entry, name="entry"),
    path("entries/<uuid:uuid>/correct/", entries.entry_correct, name="entry_correct"),
    path("entries/<uuid:uuid>/withdraw/", entries.entry_withdraw, name="entry_withdraw"),
    path("entries/<uuid:uuid>/dispute/", entries.entry_dispute, name="entry_dispute"),
    path("entries/<uuid:uuid>/proposal/take-back/", entries.proposal_take_back, name="proposal_take_back"),
    path("entries/<uuid:uuid>/dispute/take-back/", entries.dispute_take_back, name="dispute_take_back"),
    path("entries/<uuid:uuid>/accept/", signing.entry_accept, name="entry_accept"),
    path("entries/<uuid:uuid>/decide/", signing.entry_decide, name="entry_decide"),
    path("entries/<uuid:uuid>/disagreement/", disputes.disagreement, name="disagreement"),
    path("entries/<uuid:uuid>/disagreement/decide/", disputes.disagreement_rule, name="disagreement_rule"),
    path("disagreements/", disputes.disagreement_list, name="disagreements"),
    path("to-sign/", signing.to_sign, name="to_sign"),
    path("to-sign/check/", signing.to_sign_check, name="to_sign_check"),
    path("to-sign/<uuid:uuid>/send-back/", signing.send_back, name="send_back"),
    path("to-sign/<uuid:uuid>/not-me/", signing.not_me, name="not_me"),
    path("observations/", observations.observations, name="observations"),
    path("observations/begin/", observing.observe_begin, name="observe_begin"),
    path("observations/agreement/", agreement.agreement, name="agreement"),
    path("observations/missed/", agreement.missed_steps, name="missed_steps"),
    path("observations/<uuid:uuid>/", observations.observation, name="observation"),
    path("observations/<uuid:uuid>/watch/", observing.observe, name="observe"),
    path("observations/<uuid:uuid>/save/", observing.observe_save, name="observe_save"),
    path("observations/<uuid:uuid>/check/", observing.observe_check, name="observe_check"),
    path("observations/<uuid:uuid>/drop/", observing.observe_drop, name="observe_drop"),
    path("observations/<uuid:uuid>/answer/", observations.observation_answer, name="observation_answer"),
    path("observations/<uuid:uuid>/dispute/", observations.observation_dispute, name="observation_dispute"),
    path(
        "observations/<uuid:uuid>/dispute/take-back/",
        observations.observation_dispute_take_back,
        name="observation_dispute_take_back",
    ),
    path(
        "observations/<uuid:uuid>/disagreement/", disputes.disagreement_observed, name="disagreement_observed"
    ),
    path(
        "observations/<uuid:uuid>/disagreement/decide/",
        disputes.disagreement_observed_rule,
        name="disagreement_observed_rule",
    ),
    path("observations/<uuid:uuid>/second/", observations.second_ask, name="second_ask"),
    path("observations/<uuid:uuid>/second/begin/", observations.second_begin, name="second_begin"),
    path("observations/<uuid:uuid>/second/decline/", observations.second_decline, name="second_decline"),
]
