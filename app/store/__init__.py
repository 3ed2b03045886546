"""The log: models, migrations, what goes in and what comes out."""
