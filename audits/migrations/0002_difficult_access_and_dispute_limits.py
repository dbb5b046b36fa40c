import datetime

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("audits", "0001_evidence")]

    operations = [
        migrations.AddField(
            model_name="insertion",
            name="difficult",
            field=models.CharField(
                blank=True,
                choices=[("before", "Scored before the attempt"), ("after", "Scored afterwards")],
                max_length=6,
                default="",
            ),
            preserve_default=False,
        ),
        migrations.AddField(
            model_name="dispute",
            name="limit_on",
            field=models.DateField(default=datetime.date(2026, 1, 1)),
            preserve_default=False,
        ),
    ]
