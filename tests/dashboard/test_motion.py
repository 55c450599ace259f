"""What a shot's speed means is shown on demand, as the command `flight` computes it."""

import json

from hand_board import drive, hand_run, screen_text

from chrono.dashboard.app import Dashboard


async def test_energy_momentum_mach_and_range_of_the_selected_shot(chrono):
    board, run = hand_run()
    app = Dashboard(run)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("enter", "m")
        await drive(app, pilot)
        assert len(app.screen_stack) == 1, "there is no shot yet"
        board.shoot_and_wait(45.0)
        await drive(app, pilot)
        row = app.view.latest
        assert (round(row.length_a_mm, 1), round(row.length_b_mm, 1)) == (40.0, 40.0)
        assert "no flags · 40.0 mm at A, 40.0 mm at B" in " ".join(
            screen_text(app).replace("│", " ").split()
        )
        await pilot.press("m")
        await app.workers.wait_for_complete()
        await pilot.pause()
        text = screen_text(app)

        assert "24.3 J · 1.08 N·s" in text, "24 g at 45 m/s"
        mach = next(line for line in text.splitlines() if "Mach" in line).split("Mach")[1]
        assert abs(float(mach.split()[0]) - 45 / 342) < 0.001, "sound at 18 °C, from memory"
        assert "40.0 mm at A, 40.0 mm at B, declared 40 mm" in text
        assert "Eye protection" in text
        told = chrono(
            *("flight", "--speed", f"{row.speed_mps} m/s", "--angle", "30 deg"),
            *("--height", "1 m", "--mass", "24 g", "--diameter", "40 mm", "--json"),
        )
        range_m = json.loads(told.out)["flights"][0]["range_m"]["value"]
        line = next(line for line in text.splitlines() if "30° up" in line)
        assert abs(float(line.split("up")[1].split("±")[0]) / range_m - 1) < 0.01
        await pilot.press("escape")
        assert len(app.screen_stack) == 1
