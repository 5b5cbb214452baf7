"""How a door meets an action: ask the right first, put what the action refused beside its field."""

from collections.abc import Callable
from functools import wraps
from typing import Any, TypeVar

from django import forms
from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.http import HttpRequest, HttpResponse

from competence.actions.errors import ActionRefused
from competence.permissions import Right, require

Made = TypeVar("Made")
View = Callable[..., HttpResponse]


def asks(right: Right) -> Callable[[View], View]:
    """The view opens only for an account that holds ``right`` somewhere; the view itself asks for the site
    of what it shows."""

    def guard(view: View) -> View:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
            require(request.user, right)
            return view(request, *args, **kwargs)

        return guarded

    return guard


def attempt(form: forms.Form, action: Callable[..., Made], **arguments: Any) -> Made | None:
    """Call an action; what it refuses becomes an error of the form, and ``None`` comes back."""
    try:
        return action(**arguments)
    except ActionRefused as refused:
        _add(form, refused.field, [refused.sentence])
    except ValidationError as invalid:
        messages = invalid.message_dict if hasattr(invalid, "error_dict") else {None: invalid.messages}
        for field, sentences in messages.items():
            _add(form, None if field == NON_FIELD_ERRORS else field, sentences)
    return None


def _add(form: forms.Form, field: str | None, sentences: list[str]) -> None:
    for sentence in sentences:
        form.add_error(field if field in form.fields else None, sentence)
