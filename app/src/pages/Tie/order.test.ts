import { expect, test } from "vitest";
import { inOrder } from "./order";

test("the tenth photo comes after the ninth, whatever a folder's listing says", () => {
  const listed = ["pose1.png", "pose10.png", "pose11.png", "pose2.png", "pose9.png"].map((name) => ({ name }));
  expect(inOrder(listed).map((one) => one.name)).toEqual(["pose1.png", "pose2.png", "pose9.png", "pose10.png", "pose11.png"]);
  expect(listed[1]!.name).toBe("pose10.png");
});
