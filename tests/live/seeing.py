"""What a person would see of a page."""

import base64

from playwright.sync_api import Page


def most_colourful(page: Page) -> int:
    """The largest difference between the channels of any pixel of the whole page, 0 to 255."""
    picture = base64.b64encode(page.screenshot(full_page=True)).decode()
    eye = page.context.new_page()
    try:
        return eye.evaluate(
            """async (picture) => {
                const image = new Image();
                image.src = "data:image/png;base64," + picture;
                await image.decode();
                const canvas = new OffscreenCanvas(image.width, image.height).getContext("2d");
                canvas.drawImage(image, 0, 0);
                const { data } = canvas.getImageData(0, 0, image.width, image.height);
                let most = 0;
                for (let i = 0; i < data.length; i += 4) {
                    const three = [data[i], data[i + 1], data[i + 2]];
                    most = Math.max(most, Math.max(...three) - Math.min(...three));
                }
                return most;
            }""",
            picture,
        )
    finally:
        eye.close()
