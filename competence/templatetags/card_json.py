"""What a script is given by its page: JSON in an attribute, which the policy against inline script allows."""

import json
from typing import Any

from django import template

register = template.Library()


@register.filter
def card_json(value: Any) -> str:
    """JSON without spaces; the template escapes it for the attribute."""
    return json.dumps(value, separators=(",", ":"))
