from django.urls import path

from credentials.views import answers, documents, reviews

urlpatterns = [
    path("who-can/", answers.who_can, name="who_can"),
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
