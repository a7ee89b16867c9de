from pathlib import Path

import pytest

SHARED_PARTS = Path(__file__).resolve().parents[2] / "shared" / "parts"


@pytest.fixture(scope="session")
def shared_parts() -> Path:
    """Real meshes made by others, which are not part of the repository."""
    if not SHARED_PARTS.is_dir():
        pytest.skip("the folder of real meshes is not beside this checkout")
    return SHARED_PARTS
