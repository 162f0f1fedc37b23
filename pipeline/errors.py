"""A user's mistakes, each with its exit code. Everything else that is raised is a programmer's mistake."""

from typing import ClassVar

from pipeline.plain_text import printable


class TankdriftError(Exception):
    """What the user can mend: one line that says what, where and what was expected; shown without a traceback.

    `exit_code` is what the command line leaves with.
    """

    exit_code: ClassVar[int] = 2

    def __init__(self, message: str) -> None:
        super().__init__(printable(" ".join(message.split())))


class LakeError(TankdriftError):
    """The lake cannot be used: a table is missing, has the wrong type, or cannot be read."""


class ArgumentError(TankdriftError):
    """An argument, or what two of them mean together, cannot be used."""


class StoreError(TankdriftError):
    """The store cannot be used: another process holds it, or it is not one of ours."""


class BackupError(TankdriftError):
    """A file is no backup of a run's folder, is not as it was written, or a later version made it."""


class RefusedRuleError(TankdriftError):
    """A rule of detection is not let into a backtest: it cheats, writes, or does not give what a rule gives."""


class WorkerEndedError(TankdriftError):
    """The system ended a process that worked for a command, most likely for want of memory."""


class OrchestratorError(TankdriftError):
    """Prefect failed to keep track of what it ran."""


class QuarantineLimitError(TankdriftError):
    """The run is done and its results stand, but more was refused than the limit allows."""

    exit_code: ClassVar[int] = 1


class CheckFailedError(TankdriftError):
    """What a run left breaks a rule of the contract."""

    exit_code: ClassVar[int] = 1


class SourceError(TankdriftError):
    """A source of data cannot be used: it is not there, refuses us, or is not as the settings say.

    `said` is what is amiss, `mend` how to mend it; the line is both.
    """

    def __init__(self, message: str, *, mend: str | None = None) -> None:
        super().__init__(f"{message}; {mend}" if mend else message)
        self.said, self.mend = " ".join(message.split()), mend


class SourceDownError(SourceError):
    """A source cannot be reached, and may be reached later: it is asked again."""


class OperationError(TankdriftError):
    """The night's work is done as far as it could be, and part of it failed."""

    exit_code: ClassVar[int] = 1
