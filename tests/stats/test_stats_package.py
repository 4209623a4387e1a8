import subprocess
import sys

from fleetlog import stats


def test_public_names_are_sorted_and_there():
    assert list(stats.__all__) == sorted(stats.__all__)
    assert all(hasattr(stats, name) for name in stats.__all__)


def test_numerics_load_no_store_and_no_screen():
    code = (
        "import sys, fleetlog.stats; "
        "loaded = {'duckdb', 'dash', 'plotly', 'fleetlog.store'} & set(sys.modules); "
        "sys.exit(' '.join(loaded) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
