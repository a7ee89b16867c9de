from reviewkit.document import frames
from reviewkit.model import Verdict


def test_a_row_a_measurement(fake_review):
    frame = frames.measurements(fake_review.findings)
    assert len(frame) == sum(len(f.measurements) for f in fake_review.findings) > 0
    first = next(f for f in fake_review.findings if f.measurements)
    row = frame[frame.key == first.key].iloc[0]
    assert (row.quantity, row.value, row.unit) == (
        first.measurements[0].quantity,
        first.measurements[0].value,
        first.measurements[0].unit,
    )
    assert list(frames.measurements(()).columns) == list(frame.columns)


def test_verdicts_add_up(fake_review):
    counts = frames.verdicts(fake_review.findings)
    assert counts.to_numpy().sum() == len(fake_review.findings)
    fails = sum(f.verdict is Verdict.FAILS for f in fake_review.findings)
    assert counts["fails"].sum() == fails > 0
