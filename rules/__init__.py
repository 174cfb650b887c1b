"""What happens when it is poured: rules over real chemistry, in the bucket and in the line."""

from .answer.verdict import Verdict
from .ask.pour import Pour
from .check import check, check_many
from .instead.swap import swap

__all__ = ["Pour", "Verdict", "check", "check_many", "swap"]
