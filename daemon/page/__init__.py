"""What the household's page says and offers, and which devices may see it.

Pure: works on messages, the household file, rates and the present instant. Knows no web server, no
broker and no file.
"""

from __future__ import annotations
