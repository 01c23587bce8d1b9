import pytest

from reliability.errors import InvalidInput


def refused(action, *given, **how):
    """Give the error that something ends in."""
    with pytest.raises(InvalidInput) as caught:
        action(*given, **how)
    return caught.value
