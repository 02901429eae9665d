"""The part of a car sheet that says how to reach an MQTT broker: where, as whom, with which certificate authority.

What a broker is used for is said by the parts that build on this one. The password comes from a variable or a file,
never from the sheet. A wrong value raises pydantic's ValidationError, which `ingest.sheet` turns into lines.
"""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import Field, model_validator

from ingest.sheet_parts import Part


class BrokerAccess(Part):
    """How to reach a broker."""

    host: Annotated[str, Field(min_length=1, max_length=253)]
    port: Annotated[int, Field(ge=1, le=65_535)] = 1883
    user: Annotated[str, Field(min_length=1, max_length=100)] | None = None
    password_variable: Annotated[str, Field(min_length=1, max_length=100)] | None = None
    password_file: Annotated[str, Field(min_length=1, max_length=400)] | None = None
    tls: bool = False
    tls_authority_file: Annotated[str, Field(min_length=1, max_length=400)] | None = None
    keep_alive_s: Annotated[int, Field(ge=2, le=600)] = 5

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.password_variable is not None and self.password_file is not None:
            raise ValueError("give password_variable or password_file, not both")
        if (self.password_variable or self.password_file) and self.user is None:
            raise ValueError("a password needs a user")
        if self.tls_authority_file is not None and not self.tls:
            raise ValueError("tls_authority_file needs tls = true")
        return self
