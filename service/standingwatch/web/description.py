"""The application with a description (OpenAPI) of its API that says what is answered, and nothing else."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI

from standingwatch.web.problems import problem_responses

#: What FastAPI says of its own accord that a request which cannot be read is answered with.
NOT_OURS = ("HTTPValidationError", "ValidationError")


class DescribedApi(FastAPI):
    """An application whose description tells our own answers.

    `web/problems.py` answers what cannot be read with problem details, so the answer that FastAPI adds to
    every route with parameters is taken out. Every route of the API asks the store, and says 503 where that
    cannot be read.
    """

    def openapi(self) -> dict[str, Any]:
        """The description, made once."""
        if self.openapi_schema is not None:
            return self.openapi_schema
        found = super().openapi()
        no_store = {str(status): answer for status, answer in problem_responses(503).items()}
        for path, operations in found["paths"].items():
            for operation in operations.values():
                answers = operation["responses"]
                if "application/json" in answers.get("422", {}).get("content", {}):
                    del answers["422"]
                if path.startswith("/api/"):
                    answers.update(no_store)
        for name in NOT_OURS:
            found["components"]["schemas"].pop(name, None)
        return found
