"""How tests read the page that a browser has open, and choose in it."""

from __future__ import annotations

from typing import Any

from selenium.webdriver.common.by import By


def by_id(page: Any, name: str) -> Any:
    return page.find_element(By.ID, name)


def text_of(page: Any, name: str) -> str:
    return str(by_id(page, name).text)


def names_in_table(page: Any) -> list[str]:
    return [button.text for button in page.find_elements(By.CSS_SELECTOR, "#site-rows button")]


def pick(page: Any, name: str, value: str) -> None:
    page.find_element(By.CSS_SELECTOR, f"input[name={name}][value='{value}']").click()


def settled(page: Any) -> None:
    """Wait until the maps have come to rest and their rasters are drawn."""
    page.execute_async_script("setTimeout(arguments[0], 450)")
