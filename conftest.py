"""Names the plugins for a bare checkout.

The entry points of the installed package carry the same names, so that both loads are one.
"""

pytest_plugins = [
    "hil.plugins.options",
    "hil.plugins.plans",
    "hil.plugins.bench",
    "hil.plugins.evidence",
    "hil.plugins.progress",
]
