"""The servers that a fleet may lean on, each started when it is first asked for."""

import contextlib
import os
import socket
import urllib.request
from functools import cached_property
from types import SimpleNamespace

import polars as pl

from tests.support.opc_ua import serve
from tests.support.servers import Inbox, Loop, free_port, mail_server, object_store, postgres


class Counterparts(contextlib.ExitStack):
    """A mail server at once; PostgreSQL, an OPC UA server and an object store when they are asked for."""

    inbox: Inbox

    def __enter__(self) -> "Counterparts":
        super().__enter__()
        self.inbox = self.enter_context(mail_server())
        self.env(MAIL_OPERATIONS=self.inbox.of("operations@example.org"))
        return self

    def env(self, **values: str) -> None:
        """Set words of the environment, until the counterparts end."""
        for name, value in values.items():
            before = os.environ.get(name)
            os.environ[name] = value
            self.callback(self._put_back, name, before)

    @staticmethod
    def _put_back(name: str, before: str | None) -> None:
        os.environ.pop(name)
        if before is not None:
            os.environ[name] = before

    @cached_property
    def closed_port(self) -> int:
        """A port at which nobody answers, and that nobody else can get."""
        taken = self.enter_context(socket.socket())
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])

    @cached_property
    def postgres(self) -> str:
        """Address of a database; `PLANT` in the environment has it, too, and `PLANT_WRONG` with another password."""
        import adbc_driver_postgresql.dbapi as adbc

        address = self.enter_context(postgres())
        self.env(PLANT=address, PLANT_WRONG=address.replace("wren-ladder-27", "wren-ladder-28"))
        with adbc.connect(address) as connection, connection.cursor() as cursor:
            cursor.execute("create table dips (at timestamptz, name text, val float8, q int)")
            cursor.execute(
                "insert into dips select timestamptz '2026-05-06 00:00Z' + n * interval '1 hour', 'T1.LVL', 900 - n, "
                "192 from generate_series(0, 48) n"
            )
            cursor.execute(
                "create view ends as select at, name, 900 / (47 - row_number() over (order by at)) as val, q from dips"
            )
            connection.commit()
        return address

    @cached_property
    def opcua(self) -> SimpleNamespace:
        """An open OPC UA server with a node that keeps history and one that keeps none."""
        from tests.support.broken_fleet import BEGIN

        hours = pl.datetime_range(BEGIN, BEGIN + pl.duration(hours=48), "1h", eager=True, time_unit="us")
        kept = pl.DataFrame({"tag": "LVL", "ts": hours, "value": 900.0, "quality": 0})
        values = pl.concat([kept, kept.with_columns(tag=pl.lit("NOW"))])
        port, loop = free_port(), Loop()
        self.callback(loop.close)
        server, space = loop.run(serve(port, values, without_history=["NOW"]))
        self.callback(lambda: loop.run(server.stop()))
        return SimpleNamespace(address=f"opc.tcp://127.0.0.1:{port}/plant", space=space)

    @cached_property
    def store(self) -> str:
        """Endpoint of an object store with the bucket `depot`."""
        endpoint = self.enter_context(object_store("depot"))
        self.env(AWS_ACCESS_KEY_ID="key-of-the-test", AWS_SECRET_ACCESS_KEY="linden-harbour-93")
        return endpoint

    def guard_store(self) -> None:
        """Have the object store ask who comes, from now on: it knows nobody."""
        asked = urllib.request.Request(f"{self.store}/moto-api/reset-auth", data=b"0", method="POST")
        asked.add_header("Content-Type", "text/plain")
        urllib.request.urlopen(asked).close()
