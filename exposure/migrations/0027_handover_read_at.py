from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('exposure', '0026_who_is_it'),
    ]

    operations = [
        migrations.AddField(
            model_name='handover',
            name='read_at',
            field=models.DateTimeField(null=True),
        ),
    ]
