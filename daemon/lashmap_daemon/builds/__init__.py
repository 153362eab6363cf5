"""The sheet of a build: what is measured, fitted, looked at and accepted before the backlash is tested."""
