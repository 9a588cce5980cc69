"""All benches, each in a program of its own:

python tests/bench
"""

import subprocess
import sys
from pathlib import Path

for bench in sorted(Path(__file__).parent.glob("bench_*.py")):
    print(f"\n{bench.stem.removeprefix('bench_')}", flush=True)
    subprocess.run([sys.executable, str(bench)], check=True)
