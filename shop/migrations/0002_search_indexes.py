"""Trigram indexes so that part of a name or phone number is found at once among a million.

PostgreSQL only, and only where its `pg_trgm` extension can be had; elsewhere the same searches
work without them.
"""

from django.db import migrations

INDEXES = {
    "customer_name_words": "UPPER(name::text) gin_trgm_ops",
    "customer_phone_part": "phone_digits gin_trgm_ops",
    "customer_email_part": "UPPER(email::text) gin_trgm_ops",
}


def _has_trigrams(cursor):
    cursor.execute("SELECT 1 FROM pg_extension WHERE extname = 'pg_trgm'")
    if cursor.fetchone():
        return True
    cursor.execute(
        "SELECT 1 FROM pg_available_extension_versions v"
        " WHERE v.name = 'pg_trgm' AND v.trusted"
        " AND has_database_privilege(current_database(), 'CREATE')"
    )
    if not cursor.fetchone():
        return False
    cursor.execute("CREATE EXTENSION IF NOT EXISTS pg_trgm")
    return True


def install(apps, schema_editor):
    if schema_editor.connection.vendor != "postgresql":
        return
    with schema_editor.connection.cursor() as cursor:
        if not _has_trigrams(cursor):
            return
        for name, expression in INDEXES.items():
            cursor.execute(
                f"CREATE INDEX IF NOT EXISTS {name} ON shop_customer USING gin ({expression})"
            )


def remove(apps, schema_editor):
    if schema_editor.connection.vendor != "postgresql":
        return
    with schema_editor.connection.cursor() as cursor:
        for name in INDEXES:
            cursor.execute(f"DROP INDEX IF EXISTS {name}")


class Migration(migrations.Migration):
    dependencies = [("shop", "0001_initial")]
    operations = [migrations.RunPython(install, remove, elidable=False)]
