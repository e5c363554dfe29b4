/* SPDX-License-Identifier: GPL-2.0-or-later */
/* Any bytes as a reference file; what loads must hold what it promises. */
#include <stdint.h>
#include <stdlib.h>

#include "reference_internal.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
  udg_reference *reference = NULL;
  udg_message message = {""};
  udg_status status =
      udg_reference_from_memory(NULL, data, size, "fuzz", NULL, 0, &reference, &message);
  if ((status == UDG_OK) != (reference != NULL) || (status != UDG_OK && !message.text[0]))
    abort();
  for (size_t i = 0; i < udg_reference_date_count(reference); i++)
    for (const char *digit = udg_reference_date(reference, i); *digit; digit++) {
      udg_outline_view view;
      if (udg_reference_outline(reference, *digit, &view) != UDG_OK || view.contour_count == 0 ||
          view.starts[view.contour_count] != view.point_count)
        abort();
    }
  udg_reference_destroy(reference);
  return 0;
}
