"""A plan and texts that replace its output's go in; the plan with that output comes out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import ValidationError

from mixrender.errors import InputError
from mixrender.formats import FORMATS
from mixrender.plan.faults import faults_of
from mixrender.plan.model import Output, Plan


def with_output(plan: Plan, texts: Mapping[str, str]) -> Plan:
    """The plan with some words of `output:` written as in `texts`, such as `{"format": "mp3"}`.

    A bit rate of the plan's own falls away with its format, and so do its bits where the new one has none.
    Raises InputError, in terms of options, where a text cannot be read or the format cannot hold what is
    asked for.
    """
    if not texts:
        return plan
    try:
        read = Output.model_validate(dict(texts), context={"yaml": True})
    except ValidationError as error:
        faults = [f"--{loc[-1]}: {message}" for loc, message in faults_of(error, dict(texts))]
        raise InputError("\n".join(faults)) from None
    kept, changed = _written(plan.output), _written(read)
    if read.format != plan.output.format and "format" in changed:
        kept.pop("bit_rate_kbit_s", None)
        if FORMATS[read.format].is_lossy:
            kept.pop("bits", None)
    output = Output(**(kept | changed))
    faults = [f"--{word}: {message}" for word, message in output.unfit()]
    if faults:
        raise InputError("\n".join(faults))
    return plan.model_copy(update={"output": output})


def _written(output: Output) -> dict[str, Any]:
    return {name: getattr(output, name) for name in output.model_fields_set}
