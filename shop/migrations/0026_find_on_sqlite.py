"""Tables that SQLite looks customers up by; `migrate` makes them and their triggers at its end."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("shop", "0025_inputs_by_kind")]
    operations = []
