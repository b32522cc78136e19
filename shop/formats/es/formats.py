"""As in English: people read what `shop.wording` writes, programs what Django writes."""

from django.conf.locale.en_GB.formats import *  # noqa: F403
