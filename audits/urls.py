from django.urls import URLPattern, URLResolver, path

from audits.views import entries, log, signing

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
    path("to-sign/", signing.to_sign, name="to_sign"),
    path("to-sign/check/", signing.to_sign_check, name="to_sign_check"),
    path("to-sign/<uuid:uuid>/send-back/", signing.send_back, name="send_back"),
    path("to-sign/<uuid:uuid>/not-me/", signing.not_me, name="not_me"),
]
