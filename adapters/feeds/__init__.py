"""Ask a price server over HTTP, and read its answer: JSON, CSV, or a market document in XML.

Knows nothing of tariffs and judges no price.
"""

from __future__ import annotations
