from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('exposure', '0023_household_advice'),
    ]

    operations = [
        migrations.AddField(
            model_name='handover',
            name='read_at',
            field=models.DateTimeField(null=True),
        ),
    ]
