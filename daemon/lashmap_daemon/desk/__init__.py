"""The reviewer's desk: tests of logbooks in a browser, listed, opened, compared, reviewed and taken home."""
