"""All tests. Packages all the way down, so that no test folder can hide one of ours."""
