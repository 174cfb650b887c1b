"""What happens when it is poured: rules over real chemistry, in the bucket and in the line."""

from .check import check, check_many
from .pour import Pour
from .swap import swap
from .verdict import Verdict

__all__ = ["Pour", "Verdict", "check", "check_many", "swap"]
