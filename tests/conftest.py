from pathlib import Path

import pytest

from reviewkit import review
from reviewkit.model import Finding
from reviewkit.resources import resource

SHARED_PARTS = Path(__file__).resolve().parents[2] / "shared" / "parts"


@pytest.fixture(scope="session")
def shared_parts() -> Path:
    """Real meshes made by others, which are not part of the repository."""
    if not SHARED_PARTS.is_dir():
        pytest.skip("the folder of real meshes is not beside this checkout")
    return SHARED_PARTS


@pytest.fixture(scope="session")
def judged() -> dict[str, tuple[review.Case, tuple[Finding, ...]]]:
    """Each demonstration opened and judged once."""
    demos = sorted(path.parent for path in resource("data", "parts").glob("*/truth.csv"))
    cases = {folder.name: review.opened(folder) for folder in demos}
    return {name: (case, review.judged(case)) for name, case in cases.items()}
