from django.urls import path

from credentials.views import answers, decisions, documents, foundings, help, people, reviews, scopes, today

urlpatterns = [
    path("help/", help.help_page, name="help"),
    path("", today.today, name="today"),
    path("who-can/", answers.who_can, name="who_can"),
    path("people/", people.people, name="people"),
    path("people/<uuid:uuid>/", people.person, name="person"),
    path("people/<uuid:uuid>/enrol/", decisions.enrol, name="enrol"),
    path("people/<uuid:uuid>/enrolment/<int:procedure_id>/end/", decisions.enrolment_end, name="enrolment_end"),
    path("people/<uuid:uuid>/done/", decisions.completion, name="completion"),
    path("people/<uuid:uuid>/award/<int:procedure_id>/", decisions.award, name="award"),
    path("people/<uuid:uuid>/renew/<int:procedure_id>/", decisions.renew, name="renew"),
    path("people/<uuid:uuid>/before/", foundings.founding_enter, name="founding_enter"),
    path("people/<uuid:uuid>/scope/", scopes.scope, name="scope"),
    path("foundings/", foundings.foundings, name="foundings"),
    path("foundings/<uuid:uuid>/", foundings.founding_decide, name="founding_decide"),
    path("scopes/", scopes.scopes, name="scopes"),
    path("scopes/decide/", scopes.scope_profession, name="scope_profession"),
    path("scopes/<uuid:uuid>/", scopes.scope_end, name="scope_end"),
    path("reviews/", reviews.reviews, name="reviews"),
    path("reviews/<uuid:uuid>/", reviews.review, name="review"),
    path("reviews/<uuid:uuid>/reply/", reviews.review_reply, name="review_reply"),
    path("rules/", documents.rules, name="rules"),
    path("rules/<str:kind>/<uuid:uuid>/", documents.document, name="document"),
    path("rules/<str:kind>/<uuid:uuid>/take-back/", documents.document_take_back, name="document_take_back"),
    path("rules/<str:kind>/propose/", documents.document_begin, name="document_begin"),
    path(
        "rules/<str:kind>/propose/<int:unit_id>/<int:procedure_id>/",
        documents.document_propose,
        name="document_propose",
    ),
]
