"""Compile `rows.c` into the module `lullwatt_accelerator`, ahead of any run."""

from __future__ import annotations

from pathlib import Path

from cffi import FFI

HERE = Path(__file__).parent

builder = FFI()
builder.cdef((HERE / "rows.h").read_text("utf-8"))
builder.set_source(
    "lullwatt_accelerator",
    '#include "rows.c"',
    include_dirs=[str(HERE)],
    depends=[str(HERE / "rows.c"), str(HERE / "rows.h")],
    # A fused multiplication and sum would round once where numpy rounds twice.
    extra_compile_args=["-O3", "-funroll-loops", "-ffp-contract=off"],
)
