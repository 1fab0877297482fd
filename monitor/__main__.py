"""`python -m monitor` is the same program as `canister`."""

from monitor.cli import main

if __name__ == "__main__":
    main()
