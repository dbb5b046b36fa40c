from django.urls import path

from people.views import own

urlpatterns = [
    path("sign-in/", own.SignIn.as_view(), name="sign_in"),
    path("sign-out/", own.SignOut.as_view(), name="sign_out"),
    path("invitation/<str:token>/", own.invitation, name="invitation"),
    path("account/", own.account, name="account"),
    path("account/password/", own.secret, name="secret"),
    path("account/sign-out-everywhere/", own.sign_out_everywhere, name="sign_out_everywhere"),
]
