"""A plan and texts that replace its output's go in; the plan with that output comes out."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import ValidationError

from mixrender.errors import InputError
from mixrender.formats import unfit
from mixrender.plan.faults import faults_of
from mixrender.plan.model import Output, Plan


def with_output(plan: Plan, texts: Mapping[str, str]) -> Plan:
    """The plan with some words of `output:` written as in `texts`, such as `{"format": "mp3"}`.

    A bit rate of the plan's own falls away with its format. Raises InputError, in terms of options, where a
    text cannot be read or the format cannot hold what is asked for.
    """
    if not texts:
        return plan
    try:
        read = Output.model_validate(dict(texts), context={"yaml": True})
    except ValidationError as error:
        faults = [f"--{loc[-1]}: {message}" for loc, message in faults_of(error, dict(texts))]
        raise InputError("\n".join(faults)) from None
    changed = {name: getattr(read, name) for name in read.model_fields_set}
    if changed.get("format", plan.output.format) != plan.output.format:
        changed = {"bit_rate_kbit_s": None} | changed
    output = plan.output.model_copy(update=changed)
    faults = [
        f"--{word}: {message}"
        for word, message in unfit(
            output.format, bits=output.bits, rate_hz=output.rate_hz, kbit_s=output.bit_rate_kbit_s
        )
    ]
    if faults:
        raise InputError("\n".join(faults))
    return plan.model_copy(update={"output": output})
