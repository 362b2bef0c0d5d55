"""The moments that prove the verdict: chosen by a stated rule, drawn the same way for both sides."""
