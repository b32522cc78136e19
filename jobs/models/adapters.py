"""Leads made or bought to join two plugs: which pin of one goes to which pin of the other."""

from django.db import models


class AdapterLead(models.Model):
    """A lead between two plugs, each called as the bay sheet calls it."""

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="adapters")
    name = models.CharField("lead", max_length=80)
    from_plug = models.CharField("plug at this end", max_length=40)
    to_plug = models.CharField("plug at the other end", max_length=40)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["pk"]
        constraints = [models.UniqueConstraint(fields=["job", "name"], name="adapter_once_a_job")]

    def __str__(self) -> str:
        return self.name


class AdapterWire(models.Model):
    """One wire of a lead: a pin at either end. Colours are IEC 60757 codes, base and stripe."""

    adapter = models.ForeignKey(AdapterLead, models.CASCADE, related_name="wires")
    from_pin = models.CharField("pin at this end", max_length=20)
    to_pin = models.CharField("pin at the other end", max_length=20)
    base = models.CharField("base colour", max_length=4, blank=True)
    stripe = models.CharField("stripe colour", max_length=4, blank=True)
    note = models.CharField(max_length=120, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["adapter", "from_pin", "to_pin"], name="adapter_wire_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.adapter.from_plug} {self.from_pin} – {self.adapter.to_plug} {self.to_pin}"
