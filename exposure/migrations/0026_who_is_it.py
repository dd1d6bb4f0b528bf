from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('exposure', '0025_outcomes'),
    ]

    operations = [
        migrations.AlterField(
            model_name='historicalpromise',
            name='kind',
            field=models.CharField(choices=[('tell', 'tell the worker'), ('confirm', 'confirm the report'), ('task', 'task'), ('review', 'look at the tier again'), ('look', 'next look'), ('call', 'ring'), ('sign', 'sign'), ('identify', 'who is it')], max_length=20),
        ),
        migrations.AlterField(
            model_name='promise',
            name='kind',
            field=models.CharField(choices=[('tell', 'tell the worker'), ('confirm', 'confirm the report'), ('task', 'task'), ('review', 'look at the tier again'), ('look', 'next look'), ('call', 'ring'), ('sign', 'sign'), ('identify', 'who is it')], max_length=20),
        ),
    ]
