"""What a dump contains and what vouches for it. Pure; never touches a bus."""
