"""What the guided removal and the report by taps need of protocols, removals and marks."""

from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('exposure', '0017_phone_pin'),
    ]

    operations = [
        migrations.AddField(
            model_name='failuretype',
            name='answers',
            field=models.JSONField(blank=True, default=dict, help_text='What it says of the facts: fact and answer of the criteria.'),
        ),
        migrations.AddField(
            model_name='failuretype',
            name='group',
            field=models.CharField(choices=[('skin', 'Sharp or skin'), ('face', 'Face or eyes'), ('air', 'Respirator or air'), ('cover', 'Gloves or clothes'), ('equipment', 'Equipment or station'), ('other', 'Something else')], default='other', max_length=20),
        ),
        migrations.AddField(
            model_name='firstaidcard',
            name='minutes',
            field=models.PositiveSmallIntegerField(blank=True, help_text='How long to rinse or wash, at least.', null=True),
        ),
        migrations.AddField(
            model_name='historicalfailuretype',
            name='answers',
            field=models.JSONField(blank=True, default=dict, help_text='What it says of the facts: fact and answer of the criteria.'),
        ),
        migrations.AddField(
            model_name='historicalfailuretype',
            name='group',
            field=models.CharField(choices=[('skin', 'Sharp or skin'), ('face', 'Face or eyes'), ('air', 'Respirator or air'), ('cover', 'Gloves or clothes'), ('equipment', 'Equipment or station'), ('other', 'Something else')], default='other', max_length=20),
        ),
        migrations.AddField(
            model_name='historicalfirstaidcard',
            name='minutes',
            field=models.PositiveSmallIntegerField(blank=True, help_text='How long to rinse or wash, at least.', null=True),
        ),
        migrations.AddField(
            model_name='historicalmark',
            name='aid_begun_at',
            field=models.DateTimeField(blank=True, help_text='Rinsing or washing began: the length of the card counts from then.', null=True),
        ),
        migrations.AddField(
            model_name='historicalremoval',
            name='paused_at',
            field=models.DateTimeField(blank=True, help_text='It stands still since then.', null=True),
        ),
        migrations.AddField(
            model_name='historicalremoval',
            name='way_out_at',
            field=models.DateTimeField(blank=True, help_text='Since then it goes by the shortest safe way out.', null=True),
        ),
        migrations.AddField(
            model_name='historicalstep',
            name='way_out',
            field=models.BooleanField(default=False, help_text='Part of the shortest safe way out, in an emergency.'),
        ),
        migrations.AddField(
            model_name='mark',
            name='aid_begun_at',
            field=models.DateTimeField(blank=True, help_text='Rinsing or washing began: the length of the card counts from then.', null=True),
        ),
        migrations.AddField(
            model_name='removal',
            name='paused_at',
            field=models.DateTimeField(blank=True, help_text='It stands still since then.', null=True),
        ),
        migrations.AddField(
            model_name='removal',
            name='way_out_at',
            field=models.DateTimeField(blank=True, help_text='Since then it goes by the shortest safe way out.', null=True),
        ),
        migrations.AddField(
            model_name='step',
            name='way_out',
            field=models.BooleanField(default=False, help_text='Part of the shortest safe way out, in an emergency.'),
        ),
        migrations.AlterField(
            model_name='historicalremoval',
            name='watched',
            field=models.CharField(choices=[('observer', 'by a trained observer'), ('two', 'by two observers'), ('buddy', 'by a buddy'), ('nobody', 'by nobody')], default='observer', max_length=20),
        ),
        migrations.AlterField(
            model_name='removal',
            name='watched',
            field=models.CharField(choices=[('observer', 'by a trained observer'), ('two', 'by two observers'), ('buddy', 'by a buddy'), ('nobody', 'by nobody')], default='observer', max_length=20),
        ),
    ]
