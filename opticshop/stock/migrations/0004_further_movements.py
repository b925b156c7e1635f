"""Transfers, counts, returns and quarantine in the ledger.

On SQLite altering stock_movement rebuilds the table and loses the triggers that seal it; they are put back at the end,
in either direction.
"""

from importlib import import_module

from django.db import migrations, models


def seal_again(apps, schema_editor):
    if schema_editor.connection.vendor == "sqlite":
        import_module("opticshop.stock.migrations.0002_movement_append_only").seal(apps, schema_editor)


def nothing(apps, schema_editor):
    pass


class Migration(migrations.Migration):

    dependencies = [
        ('stock', '0003_levels_and_expected'),
    ]

    operations = [
        migrations.RunPython(nothing, seal_again),
        migrations.RemoveConstraint(
            model_name='movement',
            name='stock_movement_moves_something',
        ),
        migrations.RemoveConstraint(
            model_name='reservation',
            name='stock_reservation_state_known',
        ),
        migrations.AddField(
            model_name='lot',
            name='in_transit',
            field=models.PositiveIntegerField(db_default=0, default=0),
        ),
        migrations.AddField(
            model_name='lot',
            name='is_quarantined',
            field=models.BooleanField(db_default=False, default=False),
        ),
        migrations.AddField(
            model_name='lot',
            name='quarantine_reason',
            field=models.CharField(blank=True, db_default='', default='', max_length=200),
        ),
        migrations.AddField(
            model_name='movement',
            name='in_transit_after',
            field=models.PositiveIntegerField(db_default=0, default=0),
        ),
        migrations.AddField(
            model_name='movement',
            name='in_transit_change',
            field=models.IntegerField(db_default=0, default=0),
        ),
        migrations.AlterField(
            model_name='movement',
            name='kind',
            field=models.CharField(choices=[('receipt', 'Receipt'), ('reservation', 'Reservation'), ('release', 'Release'), ('consumption', 'Consumption'), ('write_off', 'Write Off'), ('transfer_out', 'Transfer Out'), ('transfer_in', 'Transfer In'), ('transfer_loss', 'Transfer Loss'), ('count_adjustment', 'Count Adjustment'), ('supplier_return', 'Supplier Return'), ('customer_return', 'Customer Return')], max_length=20),
        ),
        migrations.AlterField(
            model_name='reservation',
            name='state',
            field=models.CharField(choices=[('active', 'Active'), ('consumed', 'Consumed'), ('released', 'Released'), ('written_off', 'Written Off'), ('returned', 'Returned')], default='active', max_length=12),
        ),
        migrations.AddConstraint(
            model_name='lot',
            constraint=models.CheckConstraint(condition=models.Q(('in_transit__gte', 0)), name='stock_lot_transit_not_negative'),
        ),
        migrations.AddConstraint(
            model_name='lot',
            constraint=models.CheckConstraint(condition=models.Q(('is_quarantined', False), models.Q(('quarantine_reason', ''), _negated=True), _connector='OR'), name='stock_quarantine_explained'),
        ),
        migrations.AddConstraint(
            model_name='movement',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('on_hand_change', 0), _negated=True), models.Q(('reserved_change', 0), _negated=True), models.Q(('in_transit_change', 0), _negated=True), _connector='OR'), name='stock_movement_moves_something'),
        ),
        migrations.AddConstraint(
            model_name='movement',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('kind__in', ('receipt', 'customer_return')), ('on_hand_change__gt', 0), ('reserved_change', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('reservation',)), ('on_hand_change', 0), ('reserved_change__gt', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('release',)), ('on_hand_change', 0), ('reserved_change__lt', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('consumption',)), ('on_hand_change__lt', 0), ('reserved_change__lt', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('write_off',)), ('on_hand_change__lt', 0), ('reserved_change__lte', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('supplier_return',)), ('on_hand_change__lt', 0), ('reserved_change', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('count_adjustment',)), ('reserved_change', 0), ('in_transit_change', 0)), models.Q(('kind__in', ('transfer_out',)), ('on_hand_change__lt', 0), ('reserved_change', 0), ('in_transit_change__gt', 0)), models.Q(('kind__in', ('transfer_in',)), ('on_hand_change__gte', 0), ('reserved_change', 0), ('in_transit_change__lte', 0)), models.Q(('kind__in', ('transfer_loss',)), ('on_hand_change', 0), ('reserved_change', 0), ('in_transit_change__lt', 0)), _connector='OR'), name='stock_movement_does_what_it_says'),
        ),
        migrations.AddConstraint(
            model_name='movement',
            constraint=models.CheckConstraint(condition=models.Q(models.Q(('kind__in', ['transfer_loss', 'count_adjustment', 'supplier_return', 'customer_return']), _negated=True), models.Q(('reason', ''), _negated=True), _connector='OR'), name='stock_movement_explained'),
        ),
        migrations.AddConstraint(
            model_name='reservation',
            constraint=models.CheckConstraint(condition=models.Q(('state__in', ['active', 'consumed', 'released', 'written_off', 'returned'])), name='stock_reservation_state_known'),
        ),
        migrations.RunPython(seal_again, nothing),
    ]
