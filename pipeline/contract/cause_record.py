"""What is said and decided of one cause: the record that each of them fills."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A way for litres to go missing or come from nowhere.

    Attributes
    ----------
    name : str
        As tables have it.
    noun, title, short : str
        In a sentence; above a case; inside charts and in legends.
    action : str
        What to do, and whom to leave it to.
    cautions : tuple of str
        What to mind before acting on it.
    settled_by : tuple of str
        What measurement or paper would settle whether it is so.
    look : tuple of str
        Colour and hatching of its litres in a chart.
    size : tuple of str
        The unit of an injected fault's size, and of what it is.
    has_litres, has_meter, has_delivery, has_rate : bool
        What a case of it gives: without litres it does not move variance by an amount of its own.
    urgency : str
        How soon somebody must act where it is likely.
    is_danger : bool
        It leaves the list only when closed, or seen to be gone.
    spoils_sale : bool
        Whoever fills up there is at risk.
    is_at_stake : bool
        Its litres are lost or gained, and not in the wrong book or water.
    log_prior, balance_log_prior : float or None
        Log odds before any data, where signals tell it and where the balance weighs it.
    asked : int or None
        Its place among causes that may account for others.
    explains, explains_days : tuple of str, float
        What it accounts for while it lasts, with so many days on either side.
    waits_days : float
        Days without a sign after which it is taken to be over; until then a run takes it to last. [d]
    """

    name: str
    noun: str
    title: str
    short: str
    action: str
    cautions: tuple[str, ...]
    look: tuple[str, str]
    size: tuple[str, str]
    settled_by: tuple[str, ...] = ()
    has_litres: bool = True
    has_meter: bool = False
    has_delivery: bool = False
    has_rate: bool = False
    urgency: str = "this_week"
    is_danger: bool = False
    spoils_sale: bool = False
    is_at_stake: bool = True
    log_prior: float | None = None
    balance_log_prior: float | None = None
    asked: int | None = None
    explains: tuple[str, ...] = ()
    explains_days: float = 0.0
    waits_days: float = 0.0
