"""The screens: each shows what an analysis returned and works nothing out itself."""
