"""Signing in by a link, and out."""

from __future__ import annotations

from django.conf import settings
from django.contrib.auth import login, logout
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from config.http import Request
from jobs.forms import SignInForm
from jobs.models import SignInLink
from jobs.services import people

#: Where somebody was going when asked to sign in; kept in a cookie while the mail is read, because a session
#: would be a row to write for every stranger who knocks.
NEXT = "after_sign_in"
NEXT_LASTS = 3600


@never_cache
@require_http_methods(["GET", "POST"])
def sign_in(request: Request) -> HttpResponse:
    """Ask for an address, and owe it a link; whether anybody has that address is not said."""
    going = request.GET.get("next", "")
    if request.user.is_authenticated:
        return redirect(going if _is_here(request, going) else "/")
    form = SignInForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        people.mail_sign_in_link(form.cleaned_data["email"], now=request.now)
        return render(request, "sign_in.html", {"sent": True})
    response = render(request, "sign_in.html", {"form": form}, status=422 if form.errors else 200)
    if _is_here(request, going):
        response.set_cookie(
            NEXT,
            going,
            max_age=NEXT_LASTS,
            secure=settings.SESSION_COOKIE_SECURE,
            httponly=True,
            samesite="Lax",
        )
    return response


@never_cache
@require_http_methods(["GET", "POST"])
def sign_in_by_link(request: Request, secret: str) -> HttpResponse:
    """Sign in by a printed link at once, by a mailed one after its button."""
    link = people.link_of(secret, now=request.now)
    if link is None:
        response = render(request, "sign_in.html", {"ended": True, "form": SignInForm()}, status=404)
    elif link.is_mailed and request.method == "GET":
        response = render(request, "sign_in_confirm.html", {"person": link.person.name})
    else:
        response = _signed_in(request, link)
    # The address is a secret: no page that is opened from here may learn it.  Without any origin, though, the
    # button's own post would be refused: browsers send "null" from a page that forbids all of it.
    response["Referrer-Policy"] = "strict-origin"
    return response


@require_POST
def sign_out(request: Request) -> HttpResponse:
    """End the session."""
    logout(request)
    return redirect("jobs:sign_in")


def _signed_in(request: Request, link: SignInLink) -> HttpResponse:
    if not people.use_link(link, now=request.now):
        return render(request, "sign_in.html", {"ended": True, "form": SignInForm()}, status=404)
    going = request.COOKIES.get(NEXT, "/")
    login(request, link.person, backend="django.contrib.auth.backends.ModelBackend")
    response = redirect(going if _is_here(request, going) else "/")
    response.delete_cookie(NEXT, samesite="Lax")
    return response


def _is_here(request: Request, address: str) -> bool:
    """Return whether an address is a page of this very service."""
    hosts = {request.get_host()}
    return url_has_allowed_host_and_scheme(address, hosts, require_https=request.is_secure())
