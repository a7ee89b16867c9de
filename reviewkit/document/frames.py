"""A review as data frames, for whoever sorts, filters and compares in a notebook."""

from collections.abc import Iterable

import pandas as pd

from reviewkit.model import Finding


def measurements(findings: Iterable[Finding]) -> pd.DataFrame:
    """One row a measurement, with the finding that it belongs to.

    Parameters
    ----------
    findings : iterable of Finding

    Returns
    -------
    pandas.DataFrame
        Columns key, code, part, subject, verdict, quantity, value, unit, uncertainty, method.
    """
    rows = [
        {
            "key": finding.key,
            "code": finding.code,
            "part": finding.part,
            "subject": finding.subject,
            "verdict": finding.verdict.value,
            "quantity": measured.quantity,
            "value": float(measured.value),
            "unit": measured.unit,
            "uncertainty": float(measured.uncertainty),
            "method": measured.method,
        }
        for finding in findings
        for measured in finding.measurements
    ]
    return pd.DataFrame(rows, columns=_MEASURED)


def verdicts(findings: Iterable[Finding]) -> pd.DataFrame:
    """How many findings of each code came to which verdict.

    Parameters
    ----------
    findings : iterable of Finding

    Returns
    -------
    pandas.DataFrame
        Rows by part and code, a column a verdict.
    """
    frame = pd.DataFrame(
        [(f.part, f.code, f.verdict.value) for f in findings],
        columns=["part", "code", "verdict"],
    )
    return frame.groupby(["part", "code"], sort=False)["verdict"].value_counts().unstack(fill_value=0)


_MEASURED = ["key", "code", "part", "subject", "verdict", "quantity", "value", "unit", "uncertainty", "method"]
