"""What most cars want to be taught again once their battery was off.

Common practice, no source: the vehicle maker's instructions come before any line here.
"""

from typing import Final

USUAL: Final = (
    "Set the clock and the date",
    "Teach windows and roof their ends: close each fully and hold the switch, as the maker says",
    "Enter the radio's code, or wait until it knows its car",
    "Steering angle: engine running, from lock to lock, then straight, until its lamp goes out",
    "Read the fault codes of every module; write down what stays, clear what the power loss left",
    "Lock and unlock with each key",
)
